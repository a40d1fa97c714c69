"""Accompaniment as a teacher asks for it: roots, silence, listening, a tune on top.

The bars are a demanding reading of 56 drills (common practice), as issue 16 has them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from quicktions import Fraction

from benchmarks.musical.figure import Figure, share
from drillgen.chart import Bar, Span
from drillgen.drill.sheet import BASSES
from drillgen.score import Note, Score, plays

_PASSING = Fraction(3, 10)  # beats
_TEACHER = "a teacher's reading (common practice)"


@dataclass(slots=True)
class Tally:
    """Counts over some scores."""

    bars: int = 0
    silent: int = 0
    strokes: Counter[str] = field(default_factory=Counter)  # by role
    of_role: Counter[str] = field(default_factory=Counter)  # bars
    tops: Counter[str] = field(default_factory=Counter)
    rubs: int = 0


def accompaniment(scores: Sequence[Score]) -> Iterator[Figure]:
    """Figures of the comping's manners, and of the roots of each drill."""
    tally, worst = Tally(), (100.0, "")
    shares: list[float] = []
    for score in scores:
        if score.part("comping") is not None:
            count(score, tally)
        heard, chords = roots(score)
        if chords:
            shares.append(share(heard, chords))
            worst = min(worst, (shares[-1], score.chart.drill.title))
    yield Figure(f"roots: chords with root or written bass sounded, the least drill ({worst[1]})",
                 worst[0], (95, 100), _TEACHER, " %")  # fmt: skip
    yield Figure("comping: silent bars", share(tally.silent, tally.bars), (10, 15), _TEACHER, " %")
    a_bar = {role: tally.strokes[role] / max(tally.of_role[role], 1) for role in tally.of_role}
    if tally.of_role["call"] and tally.of_role["response"]:
        yield Figure("comping: strokes a bar in calls, of those in responses",
                     100 * a_bar["call"] / a_bar["response"], (50, 60), _TEACHER, " %")  # fmt: skip
    total = tally.tops.total()
    for move, bar in (("stays", (0, 35)), ("step", (45, 75)), ("third", (8, 25)), ("wider", None)):
        limits = (float(bar[0]), float(bar[1])) if bar else None
        yield Figure(f"comping: top voice: {move}", share(tally.tops[move], total), limits,
                     _TEACHER, " %")  # fmt: skip
    yield Figure("comping: semitones beside the line for more than 0.3 beat", tally.rubs, (0, 0),
                 "common practice")  # fmt: skip


ROOTS = "chords with their root or written bass sounded, %"


def of_track(score: Score) -> Iterator[tuple[str, float]]:
    """The same figures of one track, by the names of `real.COMPING`."""
    tally = Tally()
    heard, chords = roots(score)
    if chords:
        yield ROOTS, share(heard, chords)
    if score.part("comping") is not None:
        count(score, tally)
    if tally.bars:
        yield "comping: silent bars, %", share(tally.silent, tally.bars)
    if tally.strokes["call"] and tally.strokes["response"]:
        call, answer = (tally.strokes[r] / tally.of_role[r] for r in ("call", "response"))
        yield "comping: strokes in calls, % of those in responses", 100 * call / answer
    if total := tally.tops.total():
        for move in ("stays", "step", "third"):
            yield f"comping: top voice: {move}, %", share(tally.tops[move], total)


def count(score: Score, tally: Tally) -> None:
    """Add a score with comping: a rhythm guitar, which plays every beat, has no silent bars."""
    steady = score.chart.drill.band.comping.kind == "rhythm guitar"
    part = score.part("comping")
    assert part is not None
    by_bar: dict[int, dict[Fraction, int]] = defaultdict(dict)
    for note in part.notes:
        if note.mark not in ("inner", "root"):
            top = by_bar[score.chart.bar_at(note.start).number]
            top[note.start] = max(top.get(note.start, 0), note.pitch.midi)
    for bar in score.chart.bars:
        if bar.form_bar >= 0 and plays(score.chart, bar, "comping") and not steady:
            tally.bars += 1
            tally.silent += not by_bar.get(bar.number)
            tally.of_role[bar.role] += 1
            tally.strokes[bar.role] += len(by_bar.get(bar.number, {}))
    tops = [top for number in sorted(by_bar) for _, top in sorted(by_bar[number].items())]
    for one, other in pairwise(tops if not steady else []):
        apart = abs(other - one)
        move = "stays" if not apart else "step" if apart < 3 else "third" if apart < 5 else "wider"
        tally.tops[move] += 1
    tally.rubs += sum(1 for _ in rubs(score))


def rubs(score: Score) -> Iterator[tuple[Note, Note]]:
    """Notes of comping and line that sound a semitone apart for longer than in passing."""
    line, part = score.part("line"), score.part("comping")
    passing = _PASSING * score.chart.drill.meter.beat
    if line is None or part is None:
        return
    by_bar: dict[int, list[Note]] = defaultdict(list)
    for note in line.notes:
        last = score.chart.bar_at(note.start + note.duration - Fraction(1, 64)).number
        for number in range(score.chart.bar_at(note.start).number, last + 1):
            by_bar[number].append(note)
    for note in part.notes:
        first = score.chart.bar_at(note.start).number
        last = score.chart.bar_at(note.start + note.duration - Fraction(1, 64)).number
        seen = {id(o): o for n in range(first, last + 1) for o in by_bar.get(n, ())}
        for other in seen.values():
            ends = min(note.start + note.duration, other.start + other.duration)
            together = ends - max(note.start, other.start)
            if abs(note.pitch.midi - other.pitch.midi) == 1 and together > passing:
                yield note, other


def roots(score: Score) -> tuple[int, int]:
    """How many chords have their root (or written bass) sounded before they end, and how many there
    are where the band plays chords or bass.  A chord that stays for bars is one.  In the answers to
    a bass line the student, where a bass player, has it."""
    chart = score.chart
    line = chart.drill.line
    students = line is not None and line.is_bass and line.instrument in BASSES
    sounding: dict[int, list[tuple[Fraction, Fraction]]] = defaultdict(list)
    for part in score.parts:
        if part.name in ("bass", "comping", "line"):
            for note in part.notes:
                ends = note.start + note.duration
                sounding[note.pitch.midi % 12].append((note.start, ends))
    heard = total = 0
    for start, end, span, bar in _chords(score):
        if not any(plays(chart, bar, name) and score.part(name) for name in ("bass", "comping")):
            continue
        assert span.chord is not None
        total += 1
        found = sounding[span.chord.bass_name.pitch_class]
        heard += (students and bar.role == "response") or any(
            begun < end and until > start for begun, until in found
        )
    return heard, total


def _chords(score: Score) -> Iterable[tuple[Fraction, Fraction, Span, Bar]]:
    found: list[tuple[Fraction, Fraction, Span, Bar]] = []
    for bar in score.chart.bars:
        for span in bar.spans if bar.form_bar >= 0 else ():
            if span.chord is None:
                continue
            last = found[-1] if found else None
            goes_on = last is not None and last[1] == span.start and last[2].chord == span.chord
            if last is not None and goes_on and last[3].role == bar.role:
                found[-1] = (last[0], span.end, last[2], last[3])
            else:
                found.append((span.start, span.end, span, bar))
    return found
