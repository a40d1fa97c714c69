"""What the comping plays beside a line: one scale for both, no seconds, every third.

Counted in the score that the front door gives, against rules that every accompanist is taught
(common practice); harmony is read from chord symbols anew here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

import pytest
from quicktions import Fraction

from drillgen.chart import Span
from drillgen.performance import perform
from drillgen.score import Note, Score
from drillgen.theory.scales import chord_scale
from tests.band.playing import bars, of, only, written
from tests.composed import ASKED, composed

PLAYERS = ["piano", "electric piano", "guitar", "rhythm guitar", "vibraphone"]
KEYS = ["C", "F#", "Bb", "E"]
PASSING = Fraction(3, 10)  # beats
TWO_FIVES = "ii7 | V7 | Imaj7 | VI7"

# Semitones over the root, as the scales are taught.
SCALES = {
    "altered": {0, 1, 3, 4, 6, 8, 10},
    "lydian dominant": {0, 2, 4, 6, 7, 9, 10},
    "half-whole diminished": {0, 1, 3, 4, 6, 7, 9, 10},
    "phrygian dominant": {0, 1, 4, 5, 7, 8, 10},
    "whole tone": {0, 2, 4, 6, 8, 10},
    "mixolydian b13": {0, 2, 4, 5, 7, 8, 10},
}


def preset_scores(preset: str, seed: int) -> Iterator[Score]:
    """The slowest and the fastest track of each drill with comping."""
    for tracks in composed(preset, seed):
        if tracks[0].chart.drill.band.comping.plays:
            yield tracks[0]
            if tracks[-1].chart != tracks[0].chart:
                yield tracks[-1]


# Both guide tones lie in the middle of the comping: looked at with every seed.
BOTH = "two-fives-both-voices"
PRESETS = [(name, seed) for name, seed in ASKED if name != BOTH]
PRESETS += [(BOTH, seed) for seed in range(1, 9)]


def strokes(score: Score) -> dict[Fraction, list[Note]]:
    found: dict[Fraction, list[Note]] = defaultdict(list)
    for note in of(score, "comping").notes:
        if note.mark != "inner":  # a voice that moves while the chord is held
            found[note.start].append(note)
    return found


def span_at(score: Score, place: Fraction) -> Span | None:
    spans = score.chart.bar_at(place).spans
    return next((span for span in spans if span.start <= place < span.end), None)


def on_their_chord(score: Score) -> Iterator[tuple[Span, list[Note]]]:
    """The strokes that anticipate nothing, and the chords that they play."""
    push = score.chart.drill.meter.beat / 2
    for place, notes in strokes(score).items():
        span = span_at(score, place)
        if span is None or span.chord is None:
            continue
        if place == span.start or span.end - place > push:
            yield span, notes


def together(score: Score) -> Iterator[tuple[Note, Note]]:
    """Notes of the comping and of the line that sound together for longer than in passing."""
    lengthy = PASSING * score.chart.drill.meter.beat
    line = score.part("line")
    melody = sorted(line.notes, key=lambda note: note.start) if line else []
    first = 0
    for note in sorted(of(score, "comping").notes, key=lambda note: note.start):
        end = note.start + note.duration
        while first < len(melody) and melody[first].start + 16 < note.start:
            first += 1
        for other in melody[first:]:
            if other.start >= end:
                break
            if min(end, other.start + other.duration) - max(note.start, other.start) > lengthy:
                yield note, other


@pytest.mark.parametrize("kind", PLAYERS)
def test_line_and_voicing_use_one_scale(kind: str) -> None:
    """Where the teacher gives the V7 a scale, every voicing of it, in calls and in answers, is made
    of its third, its seventh and tones of that scale: no 9 and no 13 under an altered line, 13 but
    no natural 9 under a half-whole one."""
    counted = 0
    for seed, (scale, tones) in enumerate(SCALES.items()):
        score = written(
            progression="V7 | Imaj7", key_cycle=KEYS, tempo=80, seed=seed, passes=2,
            line={"kind": "scale pattern", "pattern": "scale", "note": "eighth",
                  "scales": {"V7": scale}}, gaps={"call": 2, "response": 2},
            band=only("comping", kind),
        )  # fmt: skip
        for span, notes in on_their_chord(score):
            assert span.chord is not None
            if score.chart.bar_at(notes[0].start).form_bar == 0:
                root = span.chord.root.pitch_class
                heard = {(note.pitch.midi - root) % 12 for note in notes}
                fifth = {7} if kind == "rhythm guitar" else set()  # its shells stand on root or 5
                assert heard <= tones | fifth, (scale, heard)
                assert {4, 10} <= heard, (scale, heard)
                counted += 1
    assert counted > 100


def test_enclosures_bring_their_scale_too() -> None:
    """A quality's scale counts for every chord of that quality, also in enclosures: all dominants
    altered, none is comped with 9 or 13."""
    score = written(progression=TWO_FIVES, key_cycle=KEYS, passes=2, ending="none",
                    line={"kind": "enclosure", "scales": {"7": "altered"}},
                    band=only("comping", "piano"))  # fmt: skip
    heard = {
        (note.pitch.midi - span.chord.root.pitch_class) % 12
        for span, notes in on_their_chord(score)
        if span.chord is not None and span.chord.symbol == "7"
        for note in notes
    }
    assert {4, 10} < heard <= SCALES["altered"]


@pytest.mark.parametrize("preset", ["altered-dominants"])
def test_the_altered_preset_says_what_it_plays(preset: str) -> None:
    """The preset of altered dominants writes its V7 so, and line and comping play that scale."""
    for score in (each for tracks in composed(preset, 1) for each in tracks):
        for name in ("line", "comping"):
            for note in of(score, name).notes:  # type: ignore[arg-type]
                bar = score.chart.bar_at(note.start)
                if bar.form_bar == 1 and note.start - bar.start < bar.length - Fraction(1, 2):
                    (span,) = bar.spans
                    assert span.chord is not None and span.chord.symbol == "7alt"
                    over = (note.pitch.midi - span.chord.root.pitch_class) % 12
                    assert over in SCALES["altered"], (name, str(note.pitch))


@pytest.mark.parametrize(("preset", "seed"), PRESETS)
def test_the_comping_leaves_the_line_alone_in_any_preset(preset: str, seed: int) -> None:
    """With no seed is there a semitone between the two, a tension that contradicts the line, or a
    minor chord without its third."""
    dominants = 0
    for score in preset_scores(preset, seed):
        pairs = list(together(score))
        assert pairs or not score.part("line")
        no_semitone(score, pairs)
        dominants += no_tension_contradicts_the_line(score, pairs)
        every_minor_chord_has_its_third(score)
    assert dominants > 60 or preset != BOTH  # of two-fives, half of them dominants


def no_semitone(score: Score, pairs: Sequence[tuple[Note, Note]]) -> None:
    """No note of the comping sounds a semitone from one of the line's for more than three tenths of
    a beat (common practice: an accompanist keeps a second away from the melody)."""
    for note, other in pairs:
        rubs = abs(note.pitch.midi - other.pitch.midi) == 1
        assert not rubs, (score.chart.drill.title, note, other)


def no_tension_contradicts_the_line(score: Score, pairs: Sequence[tuple[Note, Note]]) -> int:
    """The comping holds no tension over a plain seventh chord that the line contradicts while it
    sounds.  How many pairs lie over one."""
    push, looked_at = score.chart.drill.meter.beat / 2, 0
    for note, other in pairs:
        place = max(note.start, other.start)
        span, begun = span_at(score, place), span_at(score, note.start)
        if span is None or span.chord is None or span != begun or span.chord.symbol != "7":
            continue
        if note.start > span.start and span.end - note.start <= push:
            continue
        root = span.chord.root.pitch_class
        over = [(each.pitch.midi - root) % 12 for each in (note, other)]
        looked_at += 1
        assert not contradicts(*over), (score.chart.drill.title, note, other)
    return looked_at


def contradicts(voice: int, melody: int) -> bool:
    """Over a plain dominant's root: a 9 beside b9 or #9, a 13 beside b13 and the other way round,
    a b13 beside the fifth, an 11 beside the third."""
    ninths = {(2, 1), (2, 3), (1, 2)}
    return (voice, melody) in ninths | {(9, 8), (8, 9), (8, 7), (5, 4)}


def every_minor_chord_has_its_third(score: Score) -> None:
    """Every voicing of a chord with a minor third holds that third, however long the chord stays
    (the student who sings or looks for it must hear it)."""
    minor = {span for bar in score.chart.bars for span in bar.spans
             if span.chord is not None and span.chord.is_minor}  # fmt: skip
    found = [(span, notes) for span, notes in on_their_chord(score) if span in minor]
    assert found or not minor
    for span, notes in found:
        assert span.chord is not None
        third = (span.chord.root.pitch_class + 3) % 12
        assert third in {note.pitch.midi % 12 for note in notes}, span


@pytest.mark.parametrize("kind", PLAYERS)
@pytest.mark.parametrize(
    "line",
    [
        {"kind": "guide tones", "voices": "both", "instrument": "piano", "range": "C3 to C5"},
        {"kind": "guide tones", "begin_on": 7, "instrument": "tenor saxophone"},
        {"kind": "arpeggio", "note": "quarter", "instrument": "cello", "range": "C3 to E4"},
        {"kind": "roots", "instrument": "guitar", "range": "C3 to C4"},
    ],
    ids=lambda line: f"{line['kind']} {line['instrument']}",
)
def test_no_semitone_beside_a_line_in_its_own_register(kind: str, line: dict[str, Any]) -> None:
    """Of the pairs of notes that sound together, in four keys and two seeds, where the line lies
    in the middle of the comping, at most one in a thousand is a semitone apart; and the comping
    goes on, mostly in three or four voices (a rhythm guitar in its third and seventh where a shell
    would rub), in one alone at most once in a hundred strokes."""
    rubs = pairs = voices = alone = count = 0
    for seed in range(1, 3):
        score = written(progression=TWO_FIVES, key_cycle=KEYS, tempo=84, seed=seed, passes=2,
                        line=line, band=only("comping", kind))  # fmt: skip
        for note, other in together(score):
            pairs += 1
            rubs += abs(note.pitch.midi - other.pitch.midi) == 1
        for notes in strokes(score).values():
            voices, count = voices + len(notes), count + 1
            alone += len(notes) < 2
    assert pairs > 150 and rubs <= pairs / 1000
    assert alone <= count / 100 and voices >= (2.2 if kind == "rhythm guitar" else 2.8) * count


def test_a_b13_is_not_held_beside_the_fifth() -> None:
    """A7 on its way to Dm7 is comped with b13 where nobody plays, and without while an arpeggio
    plays its fifth."""
    heard = {}
    for line in ("off", {"kind": "arpeggio", "order": "1357"}):
        score = written(progression="C7 | A7 | Dm7 | G7", passes=8, line=line, ending="none",
                        band=only("comping", "piano"))  # fmt: skip
        heard[str(line)] = {
            str(note.pitch.name)
            for span, notes in on_their_chord(score)
            if span.chord is not None and span.chord.text == "A7"
            for note in notes
        }
    alone, beside = heard.values()
    assert "F" in alone and "F" not in beside and {"C#", "G"} <= beside


@pytest.mark.parametrize("kind", PLAYERS)
@pytest.mark.parametrize("tempo", [90, 240])
def test_a_vamp_in_fourths_is_heard_to_be_minor(kind: str, tempo: int) -> None:
    """Eight bars of one minor chord, in six keys: each voicing has the third."""
    score = written(progression="i7 | " * 7 + "i7", key="C minor", tempo=tempo,
                    key_cycle=["C minor", "F minor", "B minor", "Eb minor", "G minor", "A minor"],
                    band=only("comping", kind))  # fmt: skip
    found = list(on_their_chord(score))
    assert len(found) > 30
    for span, notes in found:
        assert span.chord is not None
        third = (span.chord.root.pitch_class + 3) % 12
        assert third in {note.pitch.midi % 12 for note in notes}


@pytest.mark.parametrize("tempo", [120, 200, 280])
@pytest.mark.parametrize("kind", ["piano", "guitar", "vibraphone"])
def test_a_stab_sounds_for_a_tenth_of_a_second(kind: str, tempo: int) -> None:
    """No note of the comping is shorter than 100 ms, where the short note of swung eighths stays
    however fast they are (Friberg & Sundström, Music Perception 19:333, 2002)."""
    score = written(tempo=tempo, passes=6, band=only("comping", kind))
    (voice,) = (each for each in perform(score).voices if each.part == "comping")
    assert len(voice.notes) > 100 and min(note.duration for note in voice.notes) >= 0.1


CLAVE = ({Fraction(0), Fraction(3, 2), Fraction(3)}, {Fraction(1), Fraction(5, 2)})


@pytest.mark.parametrize("kind", ["piano", "electric piano", "guitar", "vibraphone"])
@pytest.mark.parametrize("density", [0.3, 0.5, 0.8])
def test_bossa_nova_chords_do_not_play_the_clave(kind: str, density: float) -> None:
    """The cross-stick plays the clave; in at least three of four bars the chords leave one of its
    strokes out, and in at least half of the bars they play a place that it has not (common
    practice: two players of one rhythm are one player)."""
    left_out = answered = count = 0
    comping = {"kind": kind, "density": density}
    for seed in range(2):
        score = written(feel="bossa nova", tempo=126, seed=seed, passes=3, ending="none",
                        band=only("comping", comping, drums="sticks"))  # fmt: skip
        for bar in bars(score):
            hits = {
                hit.start - bar.start
                for hit in of(score, "drums").hits
                if hit.key == 37 and hit.level > -10 and bar.start <= hit.start < bar.end
            }
            clave = min(CLAVE, key=lambda side: len(side ^ hits))
            chords = {place - bar.start for place in strokes(score) if bar.start <= place < bar.end}
            left_out += not clave <= chords
            answered += bool(chords - clave)
            count += 1
    assert count > 40
    assert left_out >= 0.75 * count and answered >= 0.5 * count


def test_answers_are_met_as_their_calls() -> None:
    """Where the student answers over the same bars, no voicing of the answer holds a note a
    semitone from what the call had there."""
    score = written(progression=TWO_FIVES, key_cycle=KEYS, tempo=70, ending="none",
                    gaps={"call": 4, "response": 4}, band=only("comping", "guitar"),
                    line={"kind": "guide tones", "voices": "both", "instrument": "piano",
                          "range": "C3 to C5"})  # fmt: skip
    calls = of(score, "line").notes
    later = 4 * score.chart.drill.meter.bar
    counted = 0
    for place, notes in strokes(score).items():
        if score.chart.bar_at(place).role != "response":
            continue
        for note, call in ((note, call) for note in notes for call in calls):
            start, end = call.start + later, call.start + call.duration + later
            shared = min(note.start + note.duration, end) - max(place, start)
            if shared > PASSING:
                counted += 1
                assert abs(note.pitch.midi - call.pitch.midi) != 1
    assert counted > 100


def test_without_a_line_nothing_is_held_back() -> None:
    """A plain ii V I is comped in four voices with the 9 and 13 of its scales, as taught."""
    score = written(progression="ii7 | V7 | Imaj7 | %", tempo=100,
                    band=only("comping", "piano", bass="roots"))  # fmt: skip
    for span, notes in on_their_chord(score):
        assert len(notes) == 4
        assert span.chord is not None
        scale = chord_scale(span.chord, score.chart.keys[0], span.leads_to).names(span.chord.root)
        assert {n.pitch.midi % 12 for n in notes} <= {name.pitch_class for name in scale}
