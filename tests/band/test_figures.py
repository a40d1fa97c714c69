"""Bass figures: two-beat, bossa nova and samba; slash basses, pedal points and roots."""

from __future__ import annotations

import pytest
from quicktions import Fraction

from drillgen.band.feel import bars_of, feel, figure_notes
from drillgen.drill import band
from drillgen.drill.band import basses
from drillgen.drill.bars import METERS
from drillgen.errors import FeelError
from tests.band.playing import EVERY, bars, of, only, written

NO_WALK = [(name, meter) for name, meter in EVERY if "walking" not in basses(name)]


def names(score, bar):
    """Names and places of the bass's notes in a bar."""
    return [
        (str(note.pitch.name), note.start - bar.start)
        for note in of(score, "bass").notes
        if bar.start <= note.start < bar.end
    ]


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_every_chord_is_begun_on_its_bass_note(name, meter):
    """Root (or slash bass) where each chord begins, whatever the figure (common practice)."""
    score = written(
        feel=name,
        meter=meter,
        progression="Dm7 | G7/F | Em7 | A7b9 | Dm7 | Db7 | Cmaj7/E | C6",
        passes=4,
        band=only("bass", {"kind": "two-beat", "density": 1}),
    )
    notes = {note.start: str(note.pitch.name) for note in of(score, "bass").notes}
    basses_written = ["D", "F", "E", "A", "D", "Db", "E", "C"] * 4
    assert [notes[bar.start] for bar in bars(score)] == basses_written


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_every_other_note_belongs_to_the_chord(name, meter):
    """A figure's notes are the chord's root, third, fifth, sixth or seventh, or the bass of the
    chord that comes next, which is marked as leading there."""
    score = written(
        feel=name, meter=meter, passes=6, band=only("bass", {"kind": "two-beat", "density": 1})
    )
    chart = score.chart
    for note in of(score, "bass").notes:
        bar = chart.bar_at(note.start)
        if bar.form_bar < 0:
            continue
        chord, pitch_class = bar.spans[0].chord, note.pitch.name.pitch_class
        if note.mark == "approach":
            following = chart.bars[bar.number + 1].spans[0].chord
            assert pitch_class == following.bass_name.pitch_class
        else:
            assert pitch_class in {each.pitch_class for each in chord.names}


def test_the_plainest_bass_in_two_is_root_and_fifth():
    """At density 0: root on 1, fifth on 3 (common practice)."""
    for name in ("swing", "two-feel", "bossa nova", "samba", "shuffle"):
        score = written(
            feel=name,
            progression="Dm7 | G7 | Cmaj7",
            band=only("bass", {"kind": "two-beat", "density": 0}),
        )
        found = [names(score, bar) for bar in bars(score)]
        assert found == [
            [("D", 0), ("A", 2)],
            [("G", 0), ("D", 2)],
            [("C", 0), ("G", 2)],
        ], name


@pytest.mark.parametrize("seed", range(4))
def test_bossa_nova_bass_lies_on_its_places(seed):
    """The bossa nova's bass: dotted quarter and eighth twice a bar, so 1, & of 2, 3 and & of 4 at
    most (as commonly notated), and most bars have one of the eighths."""
    score = written(feel="bossa nova", passes=4, seed=seed, band=only("bass", "two-beat"))
    places = [[place for _, place in names(score, bar)] for bar in bars(score)]
    half = Fraction(1, 2)
    assert all(set(bar) <= {0, 3 * half, 2, 7 * half} for bar in places)
    assert all({0, 2} <= set(bar) for bar in places)
    assert sum(len(bar) > 2 for bar in places) > len(places) / 2


def test_a_pedal_point_is_not_left():
    """Over Dm7/G | G7 | C/G | G7sus the bass in two stays on G, but for the octave."""
    score = written(
        progression="Dm7/G | F/G | C/G | Ebmaj7/G",
        feel="straight eighths",
        passes=3,
        ending="none",
        band=only("bass", {"kind": "two-beat", "density": 1}),
    )
    assert {name for bar in bars(score) for name, _ in names(score, bar)} == {"G"}


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_roots_are_held_as_written(name, meter):
    """`bass: roots` holds each chord's bass note for as long as the chord lasts, in every feel."""
    score = written(feel=name, meter=meter, band=only("bass", "roots"), ending="none")
    notes = of(score, "bass").notes
    assert [note.duration for note in notes] == [METERS[meter].bar] * 8


@pytest.mark.parametrize(("name", "meter"), NO_WALK)
def test_a_feel_that_does_not_walk_says_so(name, meter):
    """Asked to walk, it is refused in words with what there is instead; never silently replaced."""
    with pytest.raises(ValueError, match=f"{name} has no walking bass"):
        written(feel=name, meter=meter, band=only("bass", "walking"))


@pytest.mark.parametrize("wrong", ["R:5", "X:1", "R1", "(R:1", "R:1)", "R:"])
def test_a_wrong_figure_is_refused(wrong):
    """A figure that cannot be read, or leaves its bar, is an error."""
    with pytest.raises(FeelError, match="In a feel's file"):
        figure_notes(wrong, METERS["4/4"])


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('"R:1- 5:3-"', '"R:1- 5:3- X:4"'),  # a bass's figure
        ('"1. 2&-": 2', '"1. 9&-": 2'),  # the last chord's strokes
        ("sound: ride cymbal", "sound: ride cymbel"),
    ],
)
def test_what_nobody_can_play_is_told_with_its_place(monkeypatch, tmp_path, right, wrong):
    """A feel's file says nothing that is found out only when a bar draws it: it is refused whole,
    with file, line and column of what is wrong."""
    text = (band.FEELS_FOLDER / "swing.yaml").read_text("utf-8")
    before, after = text.split(right, 1)
    (tmp_path / "mine.yaml").write_text(before + wrong + after, "utf-8")
    monkeypatch.setattr(band, "FEELS_FOLDER", tmp_path)
    line = before.count("\n") + 1
    with pytest.raises(FeelError, match=rf"mine\.yaml:{line}:\d+: "):
        feel("mine", METERS["4/4"])


def test_figures_of_two_bars_are_read_bar_by_bar():
    """`|` divides the bars of a pattern."""
    assert bars_of("1 2& | rest") == ("1 2&", "rest")


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_an_anticipated_root_stays_in_its_octave(name, meter):
    """Where the bass comes to the next chord's root ahead of the bar line, the downbeat is that
    same note or, over a pedal, the one held, and it is reached by no leap of more than a sixth
    (common practice: no octave or seventh where a step leads)."""
    ahead = 0
    for seed in range(3):
        score = written(
            feel=name,
            meter=meter,
            seed=seed,
            passes=6,
            progression="Cmaj7 | A7 | Dm7 | Ab7 | Gm7 | Bb7 | Em7 | Eb7",
            band=only("bass", {"kind": "two-beat", "density": 1}),
        )
        notes = of(score, "bass").notes
        for before, note, following in zip(notes, notes[1:], notes[2:], strict=False):
            if note.mark == "approach":
                ahead += 1
                assert note.pitch == following.pitch
                assert abs(note.pitch.midi - before.pitch.midi) <= 9
    assert ahead or "N:" not in str(feel(name, METERS[meter]).two_beat.patterns)


def test_rising_figures_rise():
    """The third and the sixth of a figure lie above its root (common practice)."""
    for seed in range(4):
        band = only("bass", {"kind": "two-beat", "density": 1})
        score = written(feel="shuffle", seed=seed, passes=4, band=band)
        chart = score.chart
        roots: dict[int, int] = {}
        for note in of(score, "bass").notes:
            bar = chart.bar_at(note.start)
            chord = bar.spans[0].chord
            degree = (note.pitch.midi - chord.root.pitch_class) % 12
            roots.setdefault(bar.number, note.pitch.midi)
            if degree in (3, 4, 9) and note.mark != "approach" and bar.form_bar >= 0:
                assert note.pitch.midi > roots[bar.number]
