"""Drills as sheets, and sheets as music21 reads them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import pytest
from music21 import chord, converter, harmony, note, stream
from quicktions import Fraction

from drillgen.chart import Span, charts
from drillgen.drill.lesson import load
from drillgen.drill.models import Drill
from drillgen.lines.kinds import line
from drillgen.score import Score
from drillgen.sheet.sheets import Section, Sheets, sheets


def scores(drill: Drill) -> tuple[Score, ...]:
    """The line of each track, without a band."""
    parts = ((chart, line(chart)) for chart in charts(drill))
    return tuple(Score(chart, (part,) if part else ()) for chart, part in parts)


def sheets_of(**drill: Any) -> tuple[Score, Sheets]:
    """The first track's score, and the sheets of a drill given as plain data."""
    drill.setdefault("progression", "ii7 | V7 | Imaj7 | VI7b9")
    found = scores(Drill.model_validate(drill))
    return found[0], sheets(found)


@lru_cache(maxsize=256)
def preset(name: str) -> tuple[Score, Sheets]:
    found = scores(load(name).drills[0])
    return found[0], sheets(found)


class Heard(NamedTuple):
    """A note as it sounds."""

    start: Fraction  # quarter notes from where the music read begins
    duration: Fraction
    midi: int


def read(text: str) -> stream.Score:
    """As music21 reads it, but that it looks for the notes of each chord symbol once a process,
    which takes most of its time: nobody here asks for them, only whether it finds any."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(harmony.ChordSymbol, "_updatePitches", _notes_once)
        return converter.parse(text, format="musicxml")


_find_notes, _found = harmony.ChordSymbol._updatePitches, set[str]()


def _notes_once(symbol: harmony.ChordSymbol) -> None:
    own = [getattr(value, "name", value) for _, value in sorted(symbol._overrides.items())]
    name = repr((symbol.chordKind, own, symbol.getChordStepModifications()))
    if name not in _found:
        _find_notes(symbol)
        _found.add(name)


def heard(score: stream.Score) -> list[Heard]:
    """The sounding notes, ties joined; slashes are no notes.  The score itself is changed for it,
    since music21's copies take as long as all else: what is written must be asked for before."""
    found: list[Heard] = []
    score.toSoundingPitch(inPlace=True)
    for each in score.recurse().notes:
        for pitch in each.pitches:
            # music21 does not tie an F with a printed natural to one without.
            if pitch.accidental is not None and pitch.accidental.alter == 0:
                pitch.accidental = None
    score.stripTies(inPlace=True)
    for each in score.flatten().notes:
        if isinstance(each, harmony.ChordSymbol) or _is_slash(each):
            continue
        pitches = each.pitches if isinstance(each, chord.Chord | note.Note) else ()
        found += [
            Heard(Fraction(each.offset), Fraction(each.quarterLength), pitch.midi)
            for pitch in pitches
        ]
    return sorted(found)


def _is_slash(each: note.GeneralNote) -> bool:
    return isinstance(each, note.Note) and each.notehead == "slash"


def expected(score: Score, section: Section, *, played: bool = False) -> list[Heard]:
    """What the score has in the bars that a section prints, from where it begins, as it is printed
    or, with what is printed once and `played` twice, as it is heard."""
    chart, part = score.chart, score.part("line")
    assert part is not None
    pickup = section.bar_ids[0].endswith("p")
    printed = {int(i.removesuffix("p").removeprefix("b")) for i in section.bar_ids}
    last = max(printed)
    notes = [n for n in part.notes if chart.bar_at(n.start).number in printed]
    following = chart.bars[last + 1] if last + 1 < len(chart.bars) else None
    if following and following.role == "call" and chart.bars[last].role == "response":
        notes = [n for n in notes if chart.bar_at(n.start).number < last]  # the next key's pick-up
    first = chart.bars[min(printed)].start
    # A pass that sounds twice is printed once: what comes after it stands so much earlier.
    folded = (
        []
        if played
        else [bar for bar in chart.bars[min(printed) : last] if bar.number not in printed]
    )
    if pickup:
        first = min(n.start for n in notes) // 1
    found = []
    for each in notes:
        gone = sum(bar.end - bar.start for bar in folded if bar.start < each.start)
        found.append(Heard(each.start - first - gone, each.duration, each.pitch.midi))
    return sorted(found)


def symbols(score: stream.Score) -> list[tuple[str, str]]:
    """The roots and kinds of the chord symbols in order, each once while it stays."""
    found: list[tuple[str, str]] = []
    for each in score.recurse().getElementsByClass(harmony.ChordSymbol):
        symbol = ("", "none")
        if not isinstance(each, harmony.NoChord):
            symbol = (each.root().name.replace("-", "b"), str(each.chordKind))
        found += [symbol] if found[-1:] != [symbol] else []
    return found


def chords(score: Score, section: Section) -> list[tuple[str, str]]:
    """The same from the chart, for the bars that a section prints."""
    found: list[tuple[str, str]] = []
    for identity in section.bar_ids:
        if identity.endswith("p"):
            continue
        for span in score.chart.bars[int(identity.removeprefix("b"))].spans:
            symbol = _symbol(span)
            found += [symbol] if found[-1:] != [symbol] else []
    return found


def _symbol(span: Span) -> tuple[str, str]:
    if span.chord is None:
        return "", "none"
    kind = span.chord.kind  # some of MusicXML's kinds have another name in music21
    return str(span.chord.root), harmony.CHORD_ALIASES.get(kind, kind)
