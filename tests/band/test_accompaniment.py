"""How the comping accompanies: roots, silence, listening, a tune on top, two hands in ballads.

The shares are common practice as a teacher who read the band's parts asked for them; they are
counted over many bars in the score that the front door gives.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import pairwise

import pytest
from quicktions import Fraction

from drillgen.performance import perform
from drillgen.score import Note, Score
from tests.band.playing import bars, of, only, written
from tests.composed import NAMES, composed

PLAYERS = ["piano", "electric piano", "guitar", "vibraphone"]
TUNE = {
    "A": "I6 vi7 | ii7 V7 | iii7 VI7 | ii7 V7 | v7 I7 | IV6 #IVo7 | I6 | %",
    "B": "III7 | % | VI7 | % | II7 | % | V7 | %",
    "form": "A A B A",
}
CALLS = {"progression": "ii7 | V7 | Imaj7 | %", "key_cycle": "fourths", "passes": 2,
         "gaps": {"call": 4, "response": 4}, "line": {"kind": "arpeggio"}}  # fmt: skip


def tunes(kind: str) -> Iterator[Score]:
    """A tune of 32 bars, twice in each of two keys: three tracks of a player's over a bass."""
    for seed in range(3):
        yield written(progression=TUNE, seed=seed, passes=2, tempo=130, key_cycle=["F", "A"],
                      band=only("comping", kind, bass="roots"))  # fmt: skip


def strokes(score: Score) -> dict[Fraction, list[Note]]:
    """The chords, without a voice that moves by itself."""
    found: dict[Fraction, list[Note]] = defaultdict(list)
    for note in of(score, "comping").notes:
        if note.mark != "inner":
            found[note.start].append(note)
    return found


@pytest.mark.parametrize("kind", [*PLAYERS, "rhythm guitar"])
@pytest.mark.parametrize("feel", ["swing", "ballad"])
def test_without_a_bass_every_chord_has_its_root(kind: str, feel: str) -> None:
    """At least 95 of 100 chords have their root, or the bass that is written, sounded before they
    end, by an instrument that plays alone with the drums; from E2 (a ballad's left hand from C2, a
    guitar from its lowest fret)."""
    sounded = chords = 0
    for seed in range(4):
        score = written(progression="Dm7 | G7/F | Em7 | A7b9 | Fmaj7 Bb7 | Cmaj7", key="C",
                        seed=seed, key_cycle=["C", "E"], feel=feel,
                        band=only("comping", kind))  # fmt: skip
        notes = of(score, "comping").notes
        for bar in bars(score):
            for span in bar.spans:
                assert span.chord is not None
                bass = span.chord.bass_name.pitch_class
                chords += 1
                sounded += any(
                    note.pitch.midi % 12 == bass
                    and note.start < span.end
                    and note.start + note.duration > span.start
                    for note in notes
                )
        assert min(note.pitch.midi for note in notes) >= (36 if feel == "ballad" else 40)
    assert chords > 50 and sounded >= 0.95 * chords


def test_with_a_bass_the_chords_leave_it_its_register() -> None:
    """Where a bass plays, a swinging piano has no note below D3."""
    for bass in ("roots", "two-beat", "walking"):
        score = written(band=only("comping", "piano", bass=bass), passes=4)
        assert min(note.pitch.midi for note in of(score, "comping").notes) >= 50


def test_a_line_of_roots_needs_none_in_the_chords() -> None:
    """Under a line of roots the left hand rests in the calls; in the answers it plays where the
    reader is no bass player, who would sound them."""
    for instrument, answers in (("upright", False), ("trombone", True)):
        line = {"kind": "roots", "instrument": instrument}
        score = written(**CALLS | {"line": line, "passes": 1}, band=only("comping", "piano"))
        low: dict[str, int] = {"call": 0, "response": 0}
        for note in of(score, "comping").notes:
            role = score.chart.bar_at(note.start + Fraction(1, 2)).role  # of the chord it plays
            if note.mark == "root" and role in low:
                low[role] += 1
        assert not low["call"] and bool(low["response"]) is answers


@pytest.mark.parametrize("kind", PLAYERS)
def test_one_bar_in_eight_is_silent(kind: str) -> None:
    """8 to 18 of 100 bars have no stroke, and no two in a row."""
    silent = total = 0
    for score in tunes(kind):
        struck = {score.chart.bar_at(note.start).number for note in of(score, "comping").notes}
        empty = [bar.number not in struck for bar in bars(score)]
        assert not any(a and b for a, b in pairwise(empty))
        silent, total = silent + sum(empty), total + len(empty)
    assert total > 300 and 0.08 <= silent / total <= 0.18


def test_it_plays_half_as_much_in_calls() -> None:
    """45 to 65 strokes in calls for 100 in the responses."""
    found = {"call": 0, "response": 0}
    for seed in range(2):
        score = written(**CALLS, seed=seed, tempo=110, band=only("comping", "piano"))
        for place in strokes(score):
            role = score.chart.bar_at(place).role
            if role in found:
                found[role] += 1
    assert 0.45 <= found["call"] / found["response"] <= 0.65


def test_in_calls_chords_are_left_to_a_bass() -> None:
    """Where two chords share a bar of a call, a bass that plays has one of them to itself in at
    least a third of the bars; without a bass none is left out (common practice)."""
    left = {}
    for bass in ("walking", "off"):
        score = written(progression="ii7 V7 | I6 VI7 | iiø7 V7b9 | i6 IV7", key_cycle="fourths",
                        line="guide tones", gaps=4, tempo=150,
                        band=only("comping", "piano", bass=bass))  # fmt: skip
        struck = sorted(strokes(score))
        calls = [bar for bar in bars(score) if bar.role == "call"]
        heard = [
            all(
                any(span.start - Fraction(1, 2) <= place < span.end for place in struck)
                for span in bar.spans
            )
            for bar in calls
        ]
        left[bass] = heard.count(False) / len(calls)
    assert left["walking"] >= 1 / 3 and left["off"] == 0


def test_an_inner_voice_moves_on_the_beat() -> None:
    """In a ballad the voice that moves under a held chord does so on a beat (common practice)."""
    score = written(feel="ballad", tempo=60, passes=4, band=only("comping", "piano"))
    moves = [note.start for note in of(score, "comping").notes if note.mark == "inner"]
    assert len(moves) > 5 and all(place.denominator == 1 for place in moves)


def test_it_plays_where_the_line_leaves_room() -> None:
    """Under a riff that moves in the first two beats and then rests, more of the strokes in calls
    begin in the other half of the bar than of those in the answers (common practice)."""
    late = {"call": 0, "response": 0}
    total = {"call": 0, "response": 0}
    for seed in range(2):
        riff = {"kind": "riff", "notes": "1:e 3 5 3 r:h"}
        score = written(**CALLS | {"line": riff}, seed=seed, band=only("comping", "piano"))
        for place in strokes(score):
            bar = score.chart.bar_at(place)
            if bar.role in total:
                total[bar.role] += 1
                late[bar.role] += place - bar.start >= 2
    assert total["call"] > 100
    assert late["call"] / total["call"] > late["response"] / total["response"]


@pytest.mark.parametrize("kind", PLAYERS)
def test_the_top_voice_is_a_tune(kind: str) -> None:
    """It stays in at most 35 strokes of 100, goes by step in at least 45 and by more than a third
    in at most 6, and never stays for six strokes running."""
    moved: list[int] = []
    for score in tunes(kind):
        tops = [max(n.pitch.midi for n in found) for _, found in sorted(strokes(score).items())]
        moved += [abs(b - a) for a, b in pairwise(tops)]
        assert all(len(set(tops[i : i + 6])) > 1 for i in range(len(tops) - 6))
    total = len(moved)
    assert total > 400 and sum(not m for m in moved) <= 0.35 * total
    assert sum(0 < m < 3 for m in moved) >= 0.45 * total
    assert sum(m > 4 for m in moved) <= 0.06 * total


def test_a_dominant_has_several_voicings() -> None:
    """Sixteen choruses of one dominant bring at least three voicings of it."""
    score = written(progression="ii7 | V7 | Imaj7 | %", passes=16,
                    band=only("comping", "piano", bass="roots"))  # fmt: skip
    found = {
        tuple(sorted(note.pitch.midi for note in notes))
        for place, notes in strokes(score).items()
        if score.chart.bar_at(place).form_bar == 1 and place.denominator == 1
    }
    assert len(found) >= 3


def test_13b9_has_its_13() -> None:
    """Every voicing of G13b9 in four voices or more holds E and Ab."""
    score = written(progression="G13b9 | Cmaj7", key="C", passes=8, tempo=100,
                    band=only("comping", "piano", bass="roots"))  # fmt: skip
    count = 0
    for place, notes in strokes(score).items():
        if score.chart.bar_at(place).form_bar == 0 and place.denominator == 1 and len(notes) > 3:
            names = {str(note.pitch.name) for note in notes}
            count += 1
            assert {"E", "Ab"} <= names
    assert count > 4


def test_a_ballad_has_two_hands_and_is_rolled() -> None:
    """The left hand has root and seventh or root and tenth, the lowest note from C2 to B2; the
    notes of a held chord follow one another within 40 to 90 ms; inner voices move by step."""
    band = only("comping", "piano")
    score = written(feel="ballad", tempo=60, passes=4, band=band, ending="none")
    hands = rolled = inner = 0
    played = next(v for v in perform(score).voices if v.part == "comping").notes
    assert len(played) == len(of(score, "comping").notes)
    for notes in strokes(score).values():
        left = sorted(note.pitch.midi for note in notes if note.mark == "root")
        if left:
            assert 36 <= left[0] <= 47
            hands += len(left) == 2 and left[1] - left[0] in (9, 10, 11, 15, 16, 17)
        if notes[0].touch == "held" and len(notes) > 2:
            late = max(note.late for note in notes)
            rolled += 0.04 <= late <= 0.09
    inner = sum(note.mark == "inner" for note in of(score, "comping").notes)
    assert hands > 10 and rolled > 20 and inner > 5


def test_over_a_bass_a_ballads_left_hand_keeps_off_its_notes() -> None:
    """It plays the seventh or the tenth; seldom a note that the bass plucks with it, since
    two players of one low note blur it (common practice)."""
    band = only("comping", "piano", bass="two-beat")
    score = written(feel="ballad", tempo=60, passes=6, band=band)
    bass = {(note.start, note.pitch.midi % 12) for note in of(score, "bass").notes}
    left = [note for note in of(score, "comping").notes if note.mark == "root"]
    twice = sum((note.start, note.pitch.midi % 12) in bass for note in left)
    assert len(left) > 30 and twice < len(left) / 10


def test_a_ballads_hole_is_not_heard_coming() -> None:
    """In long bars of two chords over a bass, calls have now the first alone, now the second, now
    both (a teacher's reading: always the same hole is a machine's)."""
    drill = CALLS | {"progression": "iii7 VI7 | ii7 V7", "passes": 4}
    band = only("comping", "piano", bass="roots")
    score = written(**drill, feel="ballad", tempo=54, band=band)
    starts = {note.start for note in of(score, "comping").notes}
    heard = Counter(
        tuple(any(span.start <= at < span.end for at in starts) for span in bar.spans)
        for bar in bars(score)
        if bar.role == "call"
    )
    assert heard[True, True] > heard.total() / 10 and heard[False, True] > heard.total() / 20


def test_exact_timing_rolls_nothing() -> None:
    """`timing: exact` means the grid, for chords as for everybody."""
    score = written(feel="ballad", tempo=60, timing="exact", band=only("comping", "piano"))
    assert all(note.late == 0 for note in of(score, "comping").notes)


@pytest.mark.parametrize("kind", ["guitar", "rhythm guitar"])
def test_a_guitar_can_play_its_roots(kind: str) -> None:
    """With roots on a low string each chord still lies under a hand: at most four strings, on each
    one note, frets at most four apart (standard tuning, common practice)."""
    from tests.band.test_voicings_by_instrument import fits_a_hand

    band = only("comping", kind)
    score = written(progression=TUNE, passes=1, band=band, key_cycle=["C", "Gb"])
    for notes in strokes(score).values():
        assert fits_a_hand(tuple(sorted(note.pitch.midi for note in notes)))


@pytest.mark.parametrize("preset", NAMES)
def test_the_roots_of_the_presets(preset: str) -> None:
    """In every preset at least 95 of 100 chords that the band plays have their root or written bass
    sounded before they end: by the bass, the chords or the line; in the answers to a bass line by
    the student, where that is a bass player."""
    from benchmarks.musical.accompaniment import roots

    for score, *_ in composed(preset, 1):
        heard, chords = roots(score)
        assert heard >= 0.95 * chords, score.chart.drill.title
