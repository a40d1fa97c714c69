"""What the comping's instruments play: shapes, registers, motion, and room for the line."""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations, groupby, pairwise, product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.score import Note, Score
from drillgen.theory.chord_types import USUAL
from drillgen.theory.chords import parse_chord
from drillgen.theory.pitch import Key, Pitch
from drillgen.theory.scales import chord_scale
from drillgen.theory.voicings import is_playable, quartal, shells, styled, upper_structures
from tests.band import playing
from tests.examples import examples

C = Key.parse("C")
BLUES = "I7 | IV7 | I7 | % | IV7 | #ivo7 | I7 | VI7b9 | ii7 | V7 | I7 VI7 | ii7 V7alt"
PLAYERS = ["piano", "electric piano", "guitar", "vibraphone"]
# Open strings of a guitar in standard tuning, E2 to E4 (common practice).
TUNING = [40, 45, 50, 55, 59, 64]


def written(**drill: Any) -> Score:
    """A drill of a player of chords over a bass, which leaves them without roots."""
    comping = drill.pop("comping", "piano")
    plain = {"progression": BLUES, "key_cycle": ["Bb", "E"]}
    return playing.written(**plain | drill, band=playing.only("comping", comping, bass="roots"))


def chords(score: Score) -> list[tuple[Any, tuple[int, ...]]]:
    """Place and MIDI keys of each stroke."""
    by_start: dict[Any, list[Note]] = {}
    for note in score.part("comping").notes:  # type: ignore[union-attr]
        by_start.setdefault(note.start, []).append(note)
    return [(at, tuple(sorted(n.pitch.midi for n in notes))) for at, notes in by_start.items()]


def names(pitches: tuple[Pitch, ...]) -> str:
    return " ".join(str(pitch.name) for pitch in pitches)


def fits_a_hand(keys: tuple[int, ...]) -> bool:
    """By trying every string for every note, without looking at the program's own way."""
    for strings in product(range(6), repeat=len(keys)):
        if len(set(strings)) < len(keys):
            continue
        frets = [key - TUNING[string] for key, string in zip(keys, strings, strict=True)]
        if min(frets) > 0 and max(frets) - min(frets) <= 4 and max(frets) <= 14:
            return True
    return False


@pytest.mark.parametrize("tempo", [60, 140, 200, 250])
@pytest.mark.parametrize("kind", ["guitar", "rhythm guitar"])
def test_guitar_chords_can_be_played(kind: str, tempo: int) -> None:
    """Every guitar chord has three or four notes, each on a string of its own in standard tuning,
    without open strings, the frets at most four apart (common practice: one position)."""
    score = written(tempo=tempo, comping=kind, passes=2)
    for _, keys in chords(score):
        assert len(keys) in (3, 4) and fits_a_hand(keys), keys


@given(st.lists(st.integers(40, 78), min_size=1, max_size=4, unique=True).map(sorted))
def test_what_counts_as_playable_is_playable(keys: list[int]) -> None:
    """The program's notion of a shape agrees with trying every string for every note, whenever the
    notes rise with the strings; and a shape once playable stays so without one of its notes."""
    if is_playable(tuple(keys)):
        assert fits_a_hand(tuple(keys))
        assert all(is_playable(tuple(each)) for each in combinations(keys, len(keys) - 1) if each)


@pytest.mark.parametrize(
    ("keys", "playable"),
    [
        ((53, 60, 64), True),  # F3 C4 E4: Dm7 as 3 7 9 on the inner strings
        (
            (48, 55, 58, 63),
            True,
        ),  # C3 G3 Bb3 Eb4: Cm7 on the four inner strings, a shape of one bar
        ((60, 61, 62, 63), False),  # four neighbouring semitones lie under no hand
        ((40, 47, 52), False),  # E2 is an open string only
    ],
)
def test_known_guitar_shapes(keys: tuple[int, ...], playable: bool) -> None:
    """Shapes that every player knows, and others that nobody plays (common practice)."""
    assert is_playable(keys) is playable


def is_a_shell(keys: tuple[int, ...]) -> bool:
    """On the fourth and third strings and a low one, within four neighbouring frets, no open
    string; no two notes a semitone apart."""
    for low in (0, 1):
        frets = [key - TUNING[string] for key, string in zip(keys, (low, 2, 3), strict=True)]
        if min(frets) >= 1 and max(frets) - min(frets) <= 3 and max(frets) <= 14:
            return all(b - a > 1 for a, b in pairwise(keys))
    return False


@pytest.mark.parametrize("feel", ["swing", "shuffle", "ballad"])
@pytest.mark.parametrize("cycle", [["Bb", "E"], "fourths"])
def test_a_rhythm_guitar_plays_shells(feel: str, cycle: Any) -> None:
    """Root or fifth, and above it third and seventh (or sixth), on a low string and the fourth and
    third ones (common practice for four in the bar)."""
    score = written(feel=feel, tempo=100, comping="rhythm guitar", key_cycle=cycle,
                    progression=f"{BLUES} | ii7 V7 | I6 | iv6 | Imaj7 | iii7")  # fmt: skip
    found = chords(score)
    full = [(at, keys) for at, keys in found if len(keys) == 3]
    assert len(full) > 0.98 * len(found) > 100
    for at, keys in full:
        assert is_a_shell(keys), keys
        span = next(s for s in score.chart.bar_at(at).spans if s.start <= at < s.end)
        if at == span.start and span.chord is not None:
            chord = span.chord
            guides = {chord.root.above(each).pitch_class for each in chord.guide_tones}
            assert guides <= {key % 12 for key in keys}
            bass = {chord.root.pitch_class, chord.root.above(chord.fifth).pitch_class}
            assert keys[0] % 12 in bass


@pytest.mark.parametrize(
    ("chord", "known"),
    [("C7", (48, 58, 64)), ("C7", (43, 52, 58)), ("Dm7", (50, 60, 65)), ("Cmaj7", (48, 59, 64)),
     ("C6", (43, 52, 57)), ("Cm7b5", (48, 58, 63))],
)  # fmt: skip
def test_known_shells(chord: str, known: tuple[int, ...]) -> None:
    """Shapes from every rhythm guitarist's first lesson (common practice): C Bb E at the eighth
    fret, G E Bb at the third, D C F at the tenth, …"""
    assert known in {tuple(p.midi for p in v) for _, v in shells(parse_chord(chord), 41, 67)}


@pytest.mark.parametrize(
    ("chord", "triads"),
    [
        # Major triads over a dominant's third and seventh, by their roots over the chord's: common
        # practice (bVI and bV on an altered dominant, VI on 13b9, II on 13#11).
        ("G7alt", {"Eb G Bb", "Db F Ab"}),
        ("G7b9", {"E G# B", "Db F Ab", "Bb D F"}),
        ("G7#11", {"A C# E"}),
        ("G7", set()),
        ("Cmaj7", set()),
    ],
)
def test_upper_structures(chord: str, triads: set[str]) -> None:
    """Above third and seventh lies a major triad that players know for that dominant."""
    found = [voicing for _, voicing in upper_structures(parse_chord(chord), C, 50, 76)]
    allowed = [{Pitch.parse(name + "4").midi % 12 for name in triad.split()} for triad in triads]
    assert bool(found) is bool(triads)
    for voicing in found:
        assert {pitch.midi % 12 for pitch in voicing[:2]} == {11, 5}  # B and F
        assert {pitch.midi % 12 for pitch in voicing[2:]} in allowed


def test_the_piano_plays_upper_structures_where_there_is_time() -> None:
    """At 100 an altered dominant has five voices or more, at 200 it has not."""
    for tempo, full in ((100, True), (200, False)):
        score = written(progression="V7alt | i6", key_cycle="Cm", key="Cm", passes=8, tempo=tempo)
        sizes = [
            len(keys)
            for at, keys in chords(score)
            if score.chart.bar_at(at).form_bar == 0 and at.denominator == 1
        ]
        assert sizes and (max(sizes) >= 5) is full


def test_stacks_of_fourths() -> None:
    """On D dorian the stacks are fourths through its white keys, D G C F among them, and such as
    have a third on top, G C F A; each holds the third F, so that it is heard to be minor.  Under a
    sus chord's fourth the third is left out (common practice)."""
    options = {names(voicing) for _, voicing in quartal(parse_chord("Dm7"), C, 50, 74, 4)}
    assert {"D G C F", "G C F A"} <= options
    assert all("F" in each.split() for each in options)
    for _, voicing in quartal(parse_chord("Dm7"), C, 50, 74, 4):
        steps = [b.midi - a.midi for a, b in pairwise(voicing)]
        assert set(steps[:2]) <= {5, 6} and steps[2] in (3, 4, 5, 6)
    sus = [names(voicing).split() for _, voicing in quartal(parse_chord("G7sus4"), C, 50, 74, 4)]
    assert sus and all("B" not in each and "C" in each for each in sus)


@pytest.mark.parametrize("kind", PLAYERS)
def test_vamps_are_played_in_fourths(kind: str) -> None:
    """A minor chord of eight bars is comped in fourths; the same chord for two bars is not."""
    long = written(progression="Dm7 | % | % | % | % | % | % | %", key_cycle="C",
                   comping=kind, ending="none")  # fmt: skip
    for _, keys in chords(long):
        assert {b - a for a, b in pairwise(keys[:3])} <= {5, 6}
    short = written(progression="Dm7 | % | G7 | Cmaj7", key_cycle="C", comping=kind)
    assert any(not {b - a for a, b in pairwise(keys[:3])} <= {5, 6} for _, keys in chords(short))


@pytest.mark.parametrize("kind", ["piano", "vibraphone"])
def test_fast_and_sparse_comping_is_thin(kind: str) -> None:
    """Above 220 there are three voices, at low density the third and seventh alone (common
    practice: shells); a fast chorus has fewer strokes than a medium one."""
    fast = written(tempo=240, comping=kind, passes=4)
    assert max(len(keys) for _, keys in chords(fast)) == 3
    medium = written(tempo=140, comping=kind, passes=4)
    assert len(chords(fast)) < len(chords(medium))
    sparse = written(comping={"kind": kind, "density": 0.1}, ending="none")
    for at, keys in chords(sparse):
        span = next(s for s in sparse.chart.bar_at(at).spans if s.start <= at < s.end)
        assert len(keys) == 2
        if at.denominator == 1 and span.chord is not None:
            guides = {span.chord.root.above(d).pitch_class for d in span.chord.guide_tones}
            assert {key % 12 for key in keys} == guides


@pytest.mark.parametrize("kind", PLAYERS)
def test_a_chord_that_stays_is_turned_over(kind: str) -> None:
    """Sixteen bars of one chord are played in several voicings, whose highest voice is a tune: it
    stays in a tenth to half of the neighbouring strokes (a teacher's
    reading asks for a quarter of common tones)."""
    score = written(progression="Cmaj7 | " * 15 + "Cmaj7", key_cycle="C", comping=kind)
    found = [keys for _, keys in chords(score)]
    assert len(set(found)) > 2
    stays = sum(a[-1] == b[-1] for a, b in pairwise(found))
    assert 0.1 * len(found) <= stays <= 0.5 * len(found)


@pytest.mark.parametrize("kind", ["piano", "guitar", "vibraphone"])
def test_a_vamp_is_not_turned_back_and_forth(kind: str) -> None:
    """Thirty-two bars of one minor chord have more than three voicings, and of their changes fewer
    than a third lead straight back to the voicing before (common practice: fourths wander)."""
    score = written(progression="Dm7 | " * 31 + "Dm7", key_cycle="C", comping=kind)
    found = [keys for keys, _ in groupby(keys for _, keys in chords(score))]
    assert len(set(found)) > 3
    back = sum(a == c for a, c in zip(found, found[2:], strict=False))
    assert back < len(found) / 3


@pytest.mark.parametrize("kind", ["piano", "guitar", "vibraphone"])
def test_passes_are_not_voiced_alike(kind: str) -> None:
    """In eight choruses no bar of the form has one voicing only (common practice: the hands do not
    stay in one place)."""
    blues = "I7 | IV7 | I7 | % | IV7 | % | I7 | VI7b9 | ii7 | V7 | I7 VI7 | ii7 V7"
    score = written(progression=blues, key_cycle="F", passes=8, comping=kind)
    by_bar = defaultdict(set)
    for at, keys in chords(score):
        by_bar[score.chart.bar_at(at).form_bar].add(keys)
    assert all(len(by_bar[bar]) > 1 for bar in range(12))


@pytest.mark.parametrize("kind", PLAYERS)
def test_the_comping_stays_below_a_higher_line(kind: str) -> None:
    """Under a flute the comping never reaches the line's lowest note of the bar."""
    line = {"kind": "arpeggio", "instrument": "flute", "range": "G4 to G6"}
    score = written(line=line, comping=kind, passes=2, ending="none")
    lowest: dict[int, int] = {}
    for note in score.part("line").notes:  # type: ignore[union-attr]
        bar = score.chart.bar_at(note.start).number
        lowest[bar] = min(lowest.get(bar, 127), note.pitch.midi)
    for at, keys in chords(score):
        assert keys[-1] < lowest[score.chart.bar_at(at).number]


@examples(60)
@given(
    roots=st.lists(
        st.sampled_from(["C", "Eb", "F#", "A", "Bb", "G", "Db"]), min_size=2, max_size=8
    ),
    kinds=st.lists(st.sampled_from(USUAL), min_size=8, max_size=8),
    player=st.sampled_from([*PLAYERS, "rhythm guitar"]),
    tempo=st.sampled_from([40, 120, 230, 300]),
    density=st.sampled_from([0.1, 0.5, 1.0]),
    seed=st.integers(0, 10_000),
)
def test_any_chords_are_voiced_well(
    roots: list[str], kinds: list[str], player: str, tempo: int, density: float, seed: int
) -> None:
    """For any chords in any order: only tones of the chord and its scale, within a register of two
    octaves and a half (a rhythm guitar's begins at F2, the lowest fret), no two voices in unison,
    never all voices leaping the same way by more than four semitones, and at most three semitones
    a voice on average even so (with the chords of a tune it is two: `benchmarks.musicality`)."""
    progression = " | ".join(f"{root}{kind}" for root, kind in zip(roots, kinds, strict=False))
    score = written(progression=progression, key="C", key_cycle="C", tempo=tempo, seed=seed,
                    passes=2, comping={"kind": player, "density": density})  # fmt: skip
    found = chords(score)
    meant = {(s.chord, s.leads_to) for bar in score.chart.bars for s in bar.spans if s.chord}
    heard = set().union(
        *(
            {n.pitch_class for n in (*c.names, *chord_scale(c, C, to).names(c.root))}
            for c, to in meant
        )
    )
    for at, keys in found:
        assert len(set(keys)) == len(keys) and keys[-1] <= 77
        assert keys[0] >= (41 if player == "rhythm guitar" else 45)
        span = next(s for s in score.chart.bar_at(at).spans if s.start <= at < s.end)
        if at == span.start and span.chord is not None:
            scale = chord_scale(span.chord, C, span.leads_to)
            tones = (*span.chord.names, *scale.names(span.chord.root))
            assert {key % 12 for key in keys} <= {name.pitch_class for name in tones}
        assert {key % 12 for key in keys} <= heard
    motion = [0]
    for (_, one), (_, other) in pairwise(found):
        if len(one) == len(other) > 1:
            motion += [abs(a - b) for a, b in zip(one, other, strict=True)]
            moved = [b - a for a, b in zip(one, other, strict=True)]
            assert not (min(moved) > 4 or max(moved) < -4), (one, other)
    assert sum(motion) / len(motion) <= 3


def test_styled_falls_back_on_rootless() -> None:
    """A style that has nothing for a chord gives the rootless voicing: a blues scale of six notes,
    or a plain dominant asked for an upper structure."""
    chord = parse_chord("G7")
    plain = styled(chord, C, None, style="rootless", low=50, high=74, size=4)
    assert styled(chord, C, None, style="upper structure", low=50, high=74, size=4) == plain
