"""Scales and small lines fingered by hand, as method books and players have them."""

from __future__ import annotations

from drillgen.sheet.fingering import FRETBOARDS, contrasting, finger, tablature
from tests.rows import with_each
from tests.sheet.hands import fingers, keys, line, positions, strings

UPRIGHT = FRETBOARDS["upright"]
ELECTRIC = FRETBOARDS["electric"]

# One octave each: notes, fingers, strings, the one position.  Worked by hand from the open
# strings: common practice.
ONE_POSITION = {
    "F major": ("F1 G1 A1 Bb1 C2 D2 E2 F2", "1 4 0 1 4 0 2 4", "E E A A A D D D", "half"),
    "Bb major": ("Bb1 C2 D2 Eb2 F2 G2 A2 Bb2", "1 4 0 1 4 0 2 4", "A A D D D G G G", "half"),
    "G major": ("G1 A1 B1 C2 D2 E2 F#2 G2", "2 0 1 2 0 1 4 0", "E A A A D D D G", "I"),
    "E phrygian": ("E1 F1 G1 A1 Bb1 C2 D2 E2", "0 1 4 0 1 4 0 2", "E E E A A A D D", "half"),
    "E minor": ("E1 F#1 G1 A1 B1 C2 D2 E2", "0 1 2 0 1 2 0 1", "E E E A A A D D", "I"),
    "A minor": ("A1 B1 C2 D2 E2 F2 G2 A2", "0 1 2 0 1 2 0 1", "A A A D D D G G", "I"),
}


@with_each("scale", ONE_POSITION)
def test_scales_in_one_position(scale: str) -> None:
    """Scales that lie under the hand with open strings need no shift (worked by hand)."""
    notes, by_finger, by_string, position = ONE_POSITION[scale]
    found = finger(line(notes), UPRIGHT)
    assert fingers(found) == by_finger
    assert strings(found) == by_string
    assert set(positions(found)) == {position}
    assert not any(each.shift for each in found)


def test_c_major_shifts_once() -> None:
    """C major from C2: six notes in I with open D and G, then one shift up the G string.

    A2 and C3 lie under one hand only in III and VI, C2 in neither: so one shift is the least.
    The last semitone lies under two fingers.  Worked by hand; common practice.
    """
    found = finger(line("C2 D2 E2 F2 G2 A2 B2 C3"), UPRIGHT)
    assert fingers(found[:6]) == "2 0 1 2 0 1"
    assert positions(found[:6]) == ["I"] * 6
    assert [each.shift for each in found].index(True) == 6
    assert sum(each.shift for each in found) == 1
    assert strings(found[6:]) == "G G"
    assert found[6].finger != found[7].finger


def test_d_major_stays_on_the_neck() -> None:
    """D major from D2 is not played with the thumb on the low strings, but in I, then higher.

    On the neck, E2 and F#2 lie under one hand only in I, IV and VII, C#3 in none of these: so one
    shift is the least.  Worked by hand; common practice.
    """
    found = finger(line("D2 E2 F#2 G2 A2 B2 C#3 D3"), UPRIGHT)
    assert fingers(found[:6]) == "0 1 4 0 1 4"
    assert positions(found[:6]) == ["I"] * 6
    assert "thumb" not in positions(found)
    assert sum(each.shift for each in found) == 1


def test_solo_tuning_moves_everything_up_a_tone() -> None:
    """What is F major in the half position sounds G major in solo tuning, fingered alike.

    Solo tuning is a whole tone above orchestral tuning (common practice).
    """
    solo = finger(line("G1 A1 B1 C2 D2 E2 F#2 G2"), FRETBOARDS["upright, solo tuning"])
    assert fingers(solo) == ONE_POSITION["F major"][1]
    assert strings(solo) == "F# F# B B B E E E"


def test_fifth_string_carries_the_scale_below_e() -> None:
    """C major from C1 on a five-string: half position, 1 4 0 1 4 0 2 4 begins on the low B.

    C1 is a semitone over B0, as F1 is over E1: the same hand a string lower (worked by hand).
    """
    found = finger(line("C1 D1 E1 F1 G1 A1 B1 C2"), FRETBOARDS["upright, five strings"])
    assert fingers(found) == "1 4 0 1 4 0 2 4"
    assert strings(found) == "B B E E E A A A"


@with_each("tonic", [3, 4, 5, 6])
def test_closed_major_scale_on_the_electric(tonic: int) -> None:
    """The closed major scale of the bass guitar: 2 4 1 2 4 1 3 4 over three strings.

    Common practice; the same hand in every key.
    """
    major = (0, 2, 4, 5, 7, 9, 11, 12)
    found = finger(keys([28 + tonic + step for step in major]), ELECTRIC, open_strings="avoided")
    assert fingers(found) == "2 4 1 2 4 1 3 4"
    assert strings(found) == "E E A A A D D D"
    assert set(positions(found)) == {f"fret {tonic - 1}"}


def test_blues_box_on_the_electric() -> None:
    """The minor pentatonic from A1 at the fifth fret: 1 4, 1 3, 1 3 (common practice)."""
    found = finger(line("A1 C2 D2 E2 G2 A2"), ELECTRIC, open_strings="avoided")
    assert fingers(found) == "1 4 1 3 1 3"
    assert set(positions(found)) == {"fret 5"}
    assert tablature(found) == ((4, 5), (4, 8), (3, 5), (3, 7), (2, 5), (2, 7))


def test_contrasting_g_major() -> None:
    """Of the two solutions, one rings on the open strings and the other has none."""
    ringing, stopped = contrasting(line("G1 A1 B1 C2 D2 E2 F#2 G2"), UPRIGHT)
    assert fingers(ringing) == "2 0 1 2 0 1 4 0"
    assert "0" not in fingers(stopped)


def test_contrast_without_open_strings() -> None:
    """A line that no open string can serve is played in two different places."""
    one, other = contrasting(line("F2 Gb2 Ab2"), UPRIGHT)
    assert not {each.hand for each in one} & {each.hand for each in other}
    assert [each.note for each in one] == [each.note for each in other]


def test_one_note_and_none() -> None:
    """An empty line has an empty fingering; a lone E1 is the open string."""
    assert finger([], UPRIGHT) == ()
    assert fingers(finger(line("E1"), UPRIGHT, open_strings="avoided")) == "0"
