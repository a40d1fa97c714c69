"""Walking bass: where it stands on the chords, how it moves, how it leads into changes; and the
student's line as a study, through common forms in twelve keys."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import groupby, pairwise, product, zip_longest

from benchmarks.musical.corpus import FORMS, TONICS
from benchmarks.musical.figure import Figure, share
from benchmarks.musical.places import following, sounds, span_at
from drillgen.chart import Bar, Chart, Span, charts
from drillgen.drill.lines import Walking
from drillgen.drill.models import Drill
from drillgen.lines.kinds import line
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
    yield Figure("walking: notes outside chord and scale, approaches and passing notes apart",
                 tally.outside, (0, 0),
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
    for last, before, after in zip([None, *walked], walked, [*walked[1:], None], strict=False):
        passing = last is not None and after is not None and _passes(last, before, after)
        _stand(chart, before, after, tally, passing=passing)
        if after is not None:
            _move(chart, before, after, tally)
    _repetitions(chart, walked, tally)


def _passes(before: Note, note: Note, after: Note) -> bool:
    """Whether a note lies between two a whole tone apart."""
    one, two = note.pitch.midi - before.pitch.midi, after.pitch.midi - note.pitch.midi
    return one == two and abs(one) == 1


def _stand(chart: Chart, note: Note, after: Note | None, tally: _Tally, *, passing: bool) -> None:
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
    tally.outside += not approach and not passing and pitch_class not in scales


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


# The study.  A mean says little here, so each figure is counted bar by bar.

_STUDIED = {**FORMS, "two bars each": "Imaj7 | % | vi7 | % | ii7 | % | V7 | %"}
_CLOSES_BELOW = 48  # C3
_CLOSES_FROM = (-7, -2, -1, 1, 5)  # semitones into the last note
_OTHERS = ((3, 4), (4, 3), (10, 11), (11, 10), (9, 10), (6, 7))  # … that contradict each other
_PRACTICE = "common practice"


def study(seeds: Iterable[int]) -> Iterator[Figure]:
    """The student's line through each form in twelve keys, twice in each; walked and in two."""
    walked, in_two = Counter[str](), Counter[str]()
    for name, seed in product(_STUDIED, seeds):
        _study(name, seed, {}, walked)
        _study(name, seed, {"beat_one": "chord tone"}, walked)
        _study(name, seed, {"two_beat": True}, in_two)
    notes = walked["notes"]
    yield Figure("walking as a study: notes", notes, None, "")
    yield Figure("… that contradict their chord, of 10,000",
                 10_000 * walked["wrong"] / notes, (0, 0), _PRACTICE)  # fmt: skip
    yield Figure("… perfect fifths over a flat one", walked["fifths"], (0, 0), _PRACTICE)
    yield Figure("… notes on 3 outside the chord, not passed through by step",
                 share(walked["astray"], walked["threes"]), (0, 2), _PRACTICE, " %")  # fmt: skip
    yield Figure("… bars like an earlier one of the same 32",
                 share(walked["again"], walked["bars"]), (0, 5), _PRACTICE, " %")  # fmt: skip
    yield Figure("… bars as in the pass before", share(walked["copied"], walked["later bars"]),
                 (0, 5), _PRACTICE, " %")  # fmt: skip
    yield Figure("… like it but for a note or two", share(walked["varied"], walked["later bars"]),
                 None, "", " %")  # fmt: skip
    yield Figure("… root on later downbeats of a chord that stays",
                 share(walked["roots"], walked["stays"]), (0, 30), _PRACTICE, " %")  # fmt: skip
    yield Figure("… bars from one peak to the next, mean", walked["bars"] / walked["peaks"],
                 (2, 4), _PRACTICE)  # fmt: skip
    yield Figure("… last note at or below C3, from 5, 2 or a semitone",
                 share(walked["closes"] + in_two["closes"], walked["tracks"] + in_two["tracks"]),
                 (95, 100), _PRACTICE, " %")  # fmt: skip
    roots = share(walked["on root"], walked["changes"])
    yield Figure("… `beat_one: chord tone`: roots on changes", roots, (80, 95), _PRACTICE, " %")
    yield Figure("… two other tones in a row", walked["two others"], (0, 0), _PRACTICE)
    fives = share(in_two["fives"], in_two["halves"])
    yield Figure("… in two: after the root, the fifth on 3", fives, (60, 80), _PRACTICE, " %")
    yield Figure("… in two: other tones than 1, 3, 5 and 6 on 3", in_two["foreign"], (0, 0),
                 _PRACTICE)  # fmt: skip
    yield Figure("… in two: root on later downbeats of a chord that stays",
                 share(in_two["roots"], in_two["stays"]), (0, 30), _PRACTICE, " %")  # fmt: skip


def _study(name: str, seed: int, options: dict[str, object], found: Counter[str]) -> None:
    minor = name == "minor"
    cycle = [f"{tonic} minor" for tonic in TONICS["minor"]] if minor else [*TONICS["major"]]
    drill = {"progression": _STUDIED[name], "key": cycle[0], "key_cycle": cycle, "passes": 2,
             "gaps": "off", "seed": seed, "line": {"kind": "walking", **options}}  # fmt: skip
    chart = charts(Drill.model_validate(drill))[0]
    part = line(chart)
    assert part is not None
    by_bar: dict[int, list[Note]] = {}
    for note in part.notes:
        by_bar.setdefault(chart.bar_at(note.start).number, []).append(note)
    bars = [(bar, by_bar[bar.number]) for bar in chart.bars if bar.form_bar >= 0]
    found["tracks"] += 1
    last, final = part.notes[-2:]
    moved = final.pitch.midi - last.pitch.midi
    found["closes"] += final.pitch.midi <= _CLOSES_BELOW and moved in _CLOSES_FROM
    for bar, notes in bars:
        for span in bar.spans:
            _tones_of(bar, span, [n for n in notes if span.start <= n.start < span.end], found)
    _begun(bars, found, any_tone="beat_one" in options)
    if options:
        return
    _alike(bars, found)
    keys = [key for key, _ in groupby(note.pitch.midi for note in part.notes)]
    # A peak: no note within three beats of it is higher.
    peaks = [max(keys[max(0, i - 3) : i + 4]) == key for i, key in enumerate(keys)]
    found["peaks"] += sum(peaks)


def _tones_of(bar: Bar, span: Span, notes: list[Note], found: Counter[str]) -> None:
    assert span.chord is not None
    root = span.chord.root.pitch_class
    tones = {(name.pitch_class - root) % 12 for name in span.chord.names}
    wrong = {other for own, other in _OTHERS if own in tones} - tones
    wrong |= set() if {4, 10} <= tones else {1} - tones
    over = [(note.pitch.midi - root) % 12 for note in notes]
    found["notes"] += len(notes)
    found["wrong"] += sum(each in wrong for each in over)
    found["fifths"] += sum(each == 7 for each in over) if 6 in tones and 7 not in tones else 0
    threes = [index for index, note in enumerate(notes) if note.start == bar.start + 2]
    for index in threes if span.start == bar.start and len(bar.spans) == 1 else ():
        found["halves"] += over[0] == 0
        found["fives"] += over[0] == 0 and over[index] == span.chord.fifth.semitones % 12
        third = span.chord.third
        usual = {0, span.chord.fifth.semitones, 9, *([third.semitones] if third else [])}
        found["foreign"] += over[index] not in usual
        around = [note.pitch.midi for note in notes[index - 1 : index + 2]]
        stepped = all(abs(b - a) <= 2 for a, b in pairwise(around))
        found["threes"] += 1
        found["astray"] += over[index] not in tones and not stepped


def _begun(bars: list[tuple[Bar, list[Note]]], found: Counter[str], *, any_tone: bool) -> None:
    """What chords begin on: those that stay, and those that change."""
    others = 0
    for (one, _), (bar, notes) in pairwise(bars):
        joins = one.pass_number == bar.pass_number and one.end == bar.start
        here, before = bar.spans[0].chord, one.spans[-1].chord
        if not joins or here is None:
            continue
        on_root = notes[0].pitch.midi % 12 == here.bass_name.pitch_class
        if here == before and not any_tone:
            found["stays"] += 1
            found["roots"] += on_root
        elif any_tone and here != before:
            found["changes"] += 1
            found["on root"] += on_root
            found["two others"] += not on_root and others > 0
            others = 0 if on_root else 1


def _alike(bars: list[tuple[Bar, list[Note]]], found: Counter[str]) -> None:
    """Bars alike within 32 of a pass, and as in the pass before in the same key."""
    in_pass: dict[tuple[int, int], tuple[int, ...]] = {}
    for _, group in groupby(bars, key=lambda each: each[0].pass_number):
        said: set[object] = set()
        for bar, notes in group:
            keys = tuple(note.pitch.midi for note in notes)
            what = tuple(str(span.chord) for span in bar.spans), keys
            found["bars"] += 1
            found["again"] += what in said
            said.add(what)
            in_pass[bar.pass_number, bar.form_bar] = tuple(key % 12 for key in keys)
            before = in_pass.get((bar.pass_number - 1, bar.form_bar))
            if before is not None and bar.pass_number % 2 == 0:
                apart = sum(a != b for a, b in zip_longest(before, (key % 12 for key in keys)))
                found["later bars"] += 1
                found["copied"] += apart == 0
                found["varied"] += 0 < apart <= 2
