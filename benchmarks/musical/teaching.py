"""What a teacher asks of any line and form: coming to rest, scales by where a chord leads, what
leads to a new key, named intervals.

What is expected is worked out here from rules of common practice, not asked of the program.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise, product
from typing import Any

from benchmarks.musical.corpus import FORMS, TONICS
from benchmarks.musical.figure import Figure, share
from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill
from drillgen.lines.kinds import line
from drillgen.score import Note

_PRACTICE = "common practice"
_RUNNING: tuple[dict[str, Any], ...] = (
    {"kind": "walking"},
    {"kind": "walking", "two_beat": True},
    {"kind": "arpeggio"},
    {"kind": "arpeggio", "note": "eighth", "connect": True},
    {"kind": "scale pattern"},
    {"kind": "scale pattern", "pattern": "scale", "note": "eighth", "connect": True},
    {"kind": "enclosure", "fill": "chord tones"},
)
_EVERY = (
    *_RUNNING,
    {"kind": "guide tones"},
    {"kind": "guide tones", "voices": "both"},
    {"kind": "roots"},
    {"kind": "riff", "notes": "1:q b3 4 5"},
    {"kind": "phrases"},
)
_FOUR = "ii7 | V7 | Imaj7 | VI7"
_PERFECT, _MAJOR = {"P4": 5, "P5": 7, "P8": 12}, {"M2": 2, "M3": 4, "M6": 9, "M7": 11}
_SIZES = {**_PERFECT, **_MAJOR, **{f"m{name[1]}": size - 1 for name, size in _MAJOR.items()}}
# Chords of a major key or a minor one, what follows, and what a line may not play over the first:
# semitones over its root.  Down a fifth to minor the ninth is flat, to major it is not; a tritone
# substitute has a raised fourth; m6 is melodic minor.
_LEADING = (
    ("V7 | Imaj7", "C", {1, 3, 6}),
    ("III7 | VImaj7", "C", {1, 3, 6}),
    ("V7 | i6", "C minor", {2, 6}),
    ("V7b9 | im7", "C minor", {2, 6}),
    ("bII7 | Imaj7", "C", {1, 5}),
    ("bII7 | Imaj7", "F", {1, 5}),
    ("i6 | %", "C minor", {4, 8, 10}),
    ("V7#9 | i6", "C minor", {2, 5}),
)


def teaching() -> Iterator[Figure]:
    """A table for each claim."""
    yield from _arriving()
    yield from _scales()
    yield from _form()
    yield from _intervals()


def _written(**drill: Any) -> tuple[Chart, Sequence[Note]]:
    plain = {"progression": _FOUR, "key_cycle": [*TONICS["major"]], "gaps": "off"}
    chart = charts(Drill.model_validate({**plain, **drill}))[0]
    part = line(chart)
    return chart, part.notes if part else ()


# Coming to rest.


def _arriving() -> Iterator[Figure]:
    found = Counter[str]()
    for options, harmony in product(_RUNNING, ("repeats", "continues")):
        gaps = {"call": 2, "response": 2, "harmony": harmony}
        chart, notes = _written(line=options, gaps=gaps)
        for bar, after in pairwise(chart.bars):
            if (bar.role, after.role) == ("call", "response"):
                last = [note for note in notes if bar.start <= note.start < bar.end][-1]
                chord = bar.spans[-1].chord
                assert chord is not None
                rests = {name.pitch_class for name in chord.names[:3]}
                at_rest = last.pitch.midi % 12 in rests or last.start < bar.start + 2
                found["gaps"] += 1
                found["rests"] += at_rest and last.start + last.duration == bar.end
    for options, key in product(_EVERY, TONICS["major"]):
        chart, notes = _written(line=options, gaps=2, key_cycle=[key])
        held = [note for note in notes if note.start >= chart.ending[0].start]
        chord = chart.ending[0].spans[0].chord
        assert chord is not None
        rests = {name.pitch_class for name in chord.names[:3]}
        found["endings"] += 1
        found["held"] += bool(held) and all(note.pitch.midi % 12 in rests for note in held)
    yield Figure("arriving: calls that end on 1, 3 or 5, held to the bar line",
                 share(found["rests"], found["gaps"]), (100, 100), _PRACTICE, " %")  # fmt: skip
    yield Figure("arriving: lines that hold 1, 3 or 5 through the last chord",
                 share(found["held"], found["endings"]), (100, 100), _PRACTICE, " %")  # fmt: skip


# Scales by where a chord leads.


def _scales() -> Iterator[Figure]:
    notes_played = wrong = 0
    scale = {"kind": "scale pattern", "pattern": "scale", "note": "eighth"}
    for (progression, key, barred), options in product(_LEADING, (scale, {"kind": "walking"})):
        mode = "minor" if "minor" in key else "major"
        cycle = [f"{each} minor" if mode == "minor" else each for each in TONICS[mode]]
        chart, notes = _written(progression=progression, key=key, key_cycle=cycle, line=options)
        for bar in chart.bars:
            if bar.form_bar == 0:
                chord = bar.spans[0].chord
                assert chord is not None
                inside = [note for note in notes if bar.start <= note.start < bar.end]
                kept = inside if options is scale else inside[:-1]  # the last one leads on
                over = [(n.pitch.midi - chord.root.pitch_class) % 12 for n in kept]
                notes_played += len(over)
                wrong += sum(each in barred for each in over)
    yield Figure(f"scales by where a chord leads: notes of another scale, of {notes_played}", wrong,
                 (0, 0), _PRACTICE)  # fmt: skip


# What leads to a new key, and home.


def _form() -> Iterator[Figure]:
    found = Counter[str]()
    for asked, (name, form) in product(("note", "V7", "ii V"), FORMS.items()):
        if name in ("minor", "vamp"):
            continue
        chart, _ = _written(progression=form, key_change=asked, line="guide tones")
        keys = [each for each, _ in groupby(bar.key_number for bar in chart.bars)]
        found["keys"] += len({*keys}) - 1
        for bar in (bar for bar in chart.bars if bar.change):
            chords = [span.chord for span in bar.spans]
            tonic = chart.bars[bar.number + 1].key.tonic.pitch_class
            degrees = [(c.root.pitch_class - tonic) % 12 for c in chords if c is not None]
            found["led"] += degrees == {"note": [], "V7": [7], "ii V": [2, 7]}[asked]
    led = share(found["led"], found["keys"])
    yield Figure("form: keys that a bar of the new key leads to", led, (100, 100), _PRACTICE, " %")
    last = home = 0
    for key in TONICS["major"]:
        chart, _ = _written(progression="Imaj7 vi7 | ii7 V7 | Imaj7 VI7 | ii7 V7", key_cycle=[key],
                            passes=2, ending="home", line="roots")  # fmt: skip
        for bar in chart.bars:
            if bar.pass_number == 2 and bar.form_bar >= 2:
                roots = {span.chord.root for span in bar.spans if span.chord is not None}
                last, home = last + 1, home + (roots == {chart.keys[0].tonic})
    yield Figure("form: `ending: home`: bars after the last I that stay on it", share(home, last),
                 (100, 100), _PRACTICE, " %")  # fmt: skip


# Named intervals.


def _intervals() -> Iterator[Figure]:
    found = Counter[str]()
    for direction, begins in product(("up", "down", "both"), ("root", "chord tones")):
        options = {"kind": "intervals", "sizes": [*_SIZES], "from": begins, "direction": direction}
        chart, notes = _written(line=options, ending="none", passes=2)
        spans = [span for bar in chart.bars for span in bar.spans]
        for index, (span, one, other) in enumerate(
            zip(spans, notes[::2], notes[1::2], strict=True)
        ):
            name = [*_SIZES][(index % 4 + (index // 4) % 2) % len(_SIZES)]
            way = -1 if direction == "down" or (direction == "both" and index % 4 % 2) else 1
            letters = "CDEFGAB"
            steps = way * (int(name[1:]) - 1)
            letter = letters[(letters.index(one.pitch.name.letter) + steps) % 7]
            chord = span.chord
            assert chord is not None
            expected = chord.names[index % 4 % len(chord.names) if begins != "root" else 0]
            found["pairs"] += 1
            found["right"] += (
                other.pitch.midi - one.pitch.midi == way * _SIZES[name]
                and other.pitch.name.letter == letter
                and one.pitch.name == expected
            )
            found["sung"] += one.start + one.duration < other.start
    yield Figure(f"intervals: pairs of the size, direction and letters asked, of {found['pairs']}",
                 share(found["right"], found["pairs"]), (100, 100), _PRACTICE, " %")  # fmt: skip
    yield Figure("intervals: silence to sing in", share(found["sung"], found["pairs"]), (100, 100),
                 _PRACTICE, " %")  # fmt: skip
