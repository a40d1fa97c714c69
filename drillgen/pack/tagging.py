"""What a track's audio files say of themselves."""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.audio.tags import Chapter, Tags
from drillgen.chart import Chart
from drillgen.pack.naming import keys_label
from drillgen.sound.soundfonts import Soundfont
from drillgen.theory.keys import Key


def tags(chart: Chart, label: str, album: str, number: int, font: Soundfont) -> Tags:
    """The tags of a track's file; `label` says which of its mixes it is.

    The number stands without the whole count: one more drill shall not change every file.
    """
    return Tags(
        title=_title(chart, chart.keys, label),
        album=album,
        track=number,
        key=str(chart.keys[0]) if len(chart.keys) == 1 else "",
        tempo=chart.tempo.start,
        comment=chart.drill.note,
        licence=_terms(font),
        chapters=tuple(_chapters(chart)),
    )


def loop_tags(chart: Chart, key: Key, label: str, album: str, number: int, font: Soundfont) -> Tags:
    """The tags of a loop in one of the track's keys."""
    return Tags(
        title=_title(chart, (key,), f"loop {label}".strip()),
        album=album,
        track=number,
        key=str(key),
        tempo=chart.tempo.start,
        comment=chart.drill.note,
        licence=_terms(font),
        loop_from=0.0,
    )


def _terms(font: Soundfont) -> str:
    """Of the sounds alone: the music is the teacher's."""
    return f"Sounds: {font.name}, {font.licence or 'licence unknown'}"


def _title(chart: Chart, keys: tuple[Key, ...], label: str) -> str:
    said = f" ({label})" if label else ""
    return f"{chart.drill.title} – {keys_label(keys)} – {chart.tempo}{said}"


def _chapters(chart: Chart) -> Iterator[Chapter]:
    """Where each key and each pass begins; the count-in belongs to the first."""
    passes = chart.drill.passes
    for index, (bar, *_) in enumerate(chart.passes()):
        title = str(bar.key)
        if bar.tag:
            title += ", tag"
        elif passes > 1:
            title += f", pass {bar.pass_number - bar.key_number * passes}"
        yield Chapter(chart.seconds_at(bar.start) if index else 0.0, title)
