"""Walking bass: where it stands on the chords, how it moves, how it leads into changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import groupby, pairwise

from benchmarks.musical.figure import Figure, share
from benchmarks.musical.places import following, sounds, span_at
from drillgen.chart import Chart
from drillgen.drill.lines import Walking
from drillgen.score import Note, Part, Score
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree

_APPROACHES = {1: "a semitone", 2: "a whole tone", 5: "a fourth or fifth", 7: "a fourth or fifth"}
_LEAP = 5  # semitones
LOW, HIGH = 28, 55  # E1 and G3: strings and a practical top of the double bass


@dataclass(slots=True)
class _Tally:
    changes: int = 0
    roots: int = 0
    by_beat: Counter[int] = field(default_factory=Counter)  # chord tones
    beats: Counter[int] = field(default_factory=Counter)
    steps: Counter[str] = field(default_factory=Counter)
    approaches: Counter[str] = field(default_factory=Counter)
    denials: int = 0
    outside: int = 0
    beyond: int = 0
    seesaws: int = 0
    leaps: int = 0
    threes: int = 0
    bars: int = 0
    again: int = 0
    longest: int = 0


def walking(scores: Iterable[Score]) -> Iterator[Figure]:
    """Figures of every walking line, the student's; the band's is in `walking_players.py`."""
    tally = _Tally()
    for score in scores:
        for part in _walking_parts(score):
            _count(score.chart, part.notes, tally)
    practice = "common practice"
    strong = "common practice; Riley & Dixon, ISMIR 2023, say so without a number"
    moves, leads = tally.steps.total(), tally.approaches.total()
    yield Figure("walking: changes", tally.changes, None, "")
    yield Figure("walking: root (or slash bass) on the change", share(tally.roots, tally.changes),
                 (90, 100), practice, " %")  # fmt: skip
    for beat, bar in ((1, 95), (2, 0), (3, 80), (4, 0)):
        measured = share(tally.by_beat[beat], tally.beats[beat])
        limits = (float(bar), 100.0) if bar else None
        source = strong if beat in (1, 3) else ""
        yield Figure(f"walking: chord tones on {beat}", measured, limits, source, " %")
    yield Figure("walking: steps (1 or 2 semitones)", share(tally.steps["step"], moves), (45, 80),
                 practice, " %")  # fmt: skip
    yield Figure("walking: 3 to 5 semitones", share(tally.steps["skip"], moves), None, "", " %")
    yield Figure("walking: wider", share(tally.steps["leap"], moves), (0, 15), practice, " %")
    yield Figure("walking: two leaps (5 semitones or more) in a row",
                 share(tally.leaps, tally.threes), (0, 2), "own bar", " %")  # fmt: skip
    yield Figure("walking: a note struck twice", share(tally.steps["same"], moves), (0, 5),
                 practice, " %")  # fmt: skip
    for name in (*dict.fromkeys(_APPROACHES.values()), "other"):
        limits = (0.0, 2.0) if name == "other" else None
        yield Figure(f"walking: into the change by {name}", share(tally.approaches[name], leads),
                     limits, practice, " %")  # fmt: skip
    yield Figure("walking: into the change by the sounding chord's other third",
                 share(tally.denials, leads), (0, 0), practice, " %")  # fmt: skip
    yield Figure("walking: notes outside chord and scale, approaches apart", tally.outside, (0, 0),
                 "this project's own bar")  # fmt: skip
    yield Figure("walking: notes beyond E1 to G3", tally.beyond, (0, 0), practice)
    yield Figure("walking: octaves to and fro", tally.seesaws, (0, 0), practice)
    yield Figure("walking: bars like the bar before", share(tally.again, tally.bars), (0, 3),
                 "this project's own bar", " %")  # fmt: skip
    yield Figure("walking: longest run of equal bars", tally.longest, (0, 2),
                 "this project's own bar")  # fmt: skip


def _walking_parts(score: Score) -> Iterator[Part]:
    drill, line = score.chart.drill, score.part("line")
    if line is not None and isinstance(drill.line, Walking) and drill.line.version == "full":
        yield line


def _count(chart: Chart, notes: tuple[Note, ...], tally: _Tally) -> None:
    walked = [note for note in notes if chart.bar_at(note.start).form_bar >= 0]
    for one, two, three in zip(walked, walked[1:], walked[2:], strict=False):
        moves = two.pitch.midi - one.pitch.midi, three.pitch.midi - two.pitch.midi
        tally.leaps += min(map(abs, moves)) >= _LEAP
        tally.threes += 1
        tally.seesaws += one.pitch == three.pitch and abs(two.pitch.midi - one.pitch.midi) == 12
    for before, after in pairwise([*walked, None]):
        assert before is not None
        _stand(chart, before, after, tally)
        if after is not None:
            _move(chart, before, after, tally)
    _repetitions(chart, walked, tally)


def _stand(chart: Chart, note: Note, after: Note | None, tally: _Tally) -> None:
    span = span_at(chart, note.start)
    assert span is not None and span.chord is not None
    bar = chart.bar_at(note.start)
    pitch_class = note.pitch.midi % 12
    beat = int((note.start - bar.start) / chart.drill.meter.beat) + 1
    tally.beats[beat] += 1
    chord = {name.pitch_class for name in (*span.chord.names, span.chord.bass_name)}
    tally.by_beat[beat] += pitch_class in chord
    tally.beyond += not LOW <= note.pitch.midi <= HIGH
    approach = after is None or after.start >= span.end
    tally.denials += approach and _denies(span.chord, pitch_class)
    # The study takes its scales by what each chord leads to, the band's bass by the key alone.
    scales = sounds(span.chord, bar.key) | sounds(span.chord, bar.key, span.leads_to)
    tally.outside += not approach and pitch_class not in scales


def _denies(chord: Chord, pitch_class: int) -> bool:
    """Whether a pitch class is a major third over a minor chord, or a minor one over a major."""
    third = chord.degree(3)
    if third is None:
        return False
    other = chord.root.above(Degree(3, -1 - third.alter)).pitch_class
    return pitch_class == other and other not in {name.pitch_class for name in chord.names}


def _move(chart: Chart, before: Note, after: Note, tally: _Tally) -> None:
    distance = abs(after.pitch.midi - before.pitch.midi)
    kind = (
        "same" if not distance else "step" if distance < 3 else "skip" if distance < 6 else "leap"
    )
    tally.steps[kind] += 1
    here = span_at(chart, before.start)
    ahead = following(chart, here) if here is not None else None
    if here is None or ahead is None or after.start != here.end or ahead[0].chord == here.chord:
        return
    chord = ahead[0].chord
    assert chord is not None
    tally.changes += 1
    tally.roots += after.pitch.midi % 12 == chord.bass_name.pitch_class
    tally.approaches[_APPROACHES.get(distance, "other")] += 1


def _repetitions(chart: Chart, notes: list[Note], tally: _Tally) -> None:
    grouped = groupby(notes, key=lambda note: chart.bar_at(note.start).number)
    bars = [tuple(note.pitch.midi for note in group) for _, group in grouped]
    runs = [len(list(group)) for _, group in groupby(bars)]
    tally.bars += len(bars)
    tally.again += sum(run - 1 for run in runs)
    tally.longest = max(tally.longest, *runs, 0)
