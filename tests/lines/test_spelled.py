"""How lines are spelled: every preset, in all twelve keys."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import NamedTuple

from drillgen.chart import charts
from drillgen.drill.files import list_presets
from drillgen.drill.lesson import load
from drillgen.drill.lines import MODELS
from drillgen.drill.reader import Override
from drillgen.lines.kinds import line
from drillgen.theory.chords import Chord, parse_chord
from drillgen.theory.pitch import Degree, Key, Name, Pitch
from tests.rows import with_each

PRESETS = [preset.name for preset in list_presets()]
# Made from the chords; melodies of scale notes are spelled by their tonic (test_written.py).
OF_CHORDS = [kind for kind, model in MODELS.items() if model.of_chords]
RARE = {"Cb", "Fb", "E#", "B#"}
# An interval's fifths, the smaller way round: up to the augmented second and diminished seventh
# every interval is written; the augmented sixth (a diminished third inverted) is the next.
WRITTEN = 9


class Sung(NamedTuple):
    """A note of one voice, with its bar's number and key."""

    pitch: Pitch
    chord: Chord
    key: Key
    bar: int
    mark: str = ""


@cache
def voices(preset: str) -> list[list[Sung]]:
    """The voices of a preset's lines, a pass in each of the twelve keys."""
    found: list[list[Sung]] = []
    for drill in load(preset, [Override("key_cycle", "fourths", "--key-cycle")]).drills:
        if drill.line is None or drill.line.kind not in OF_CHORDS:
            continue
        once = {"tempos": drill.tempos[:1], "passes": 1}
        for chart in charts(drill.model_copy(update=once)):
            part = line(chart)
            assert part is not None
            by_voice: dict[tuple[int, int], list[Sung]] = defaultdict(list)
            starts: dict[object, int] = defaultdict(int)
            for note in part.notes:
                bar = chart.bar_at(note.start)
                spans = [each for each in bar.spans if each.start <= note.start < each.end]
                if spans and spans[0].chord:
                    voice = bar.pass_number, starts[note.start]
                    by_voice[voice].append(
                        Sung(note.pitch, spans[0].chord, bar.key, bar.number, note.mark)
                    )
                starts[note.start] += 1
            found += by_voice.values()
    return found


def is_own(name: Name, chord: Chord) -> bool:
    """Whether a chord has a name, its tensions apart."""
    return name in {chord.bass_name} | {
        chord.root.above(degree) for degree in chord.degrees if degree.number <= 7
    }


def is_read(one: Pitch, other: Pitch) -> bool:
    """Whether an interval is written so: no diminished third, nothing altered twice, and no sound
    by two names; the way from a flat up to the sharp of its letter is that of b9 to #9."""
    return abs(one.name.fifths - other.name.fifths) <= WRITTEN


def encloses(voice: list[Sung], index: int) -> bool:
    """Whether two notes are a semitone above and below the one that follows, by then or after one
    of them has come again: F D# E, F D# F E."""
    one, other = voice[index].pitch, voice[index + 1].pitch
    for later in voice[index + 2 : index + 5]:
        if later.pitch not in (one, other):
            sides = sorted((one.staff_step, other.staff_step))
            return sides[0] < later.pitch.staff_step < sides[1]
    return False


def usual(sung: Sung) -> Iterator[Pitch]:
    """The other names that a note could have: one accidental at most, and E#, B#, Cb and Fb only
    of the key or the chord.  A chord's own tones have no other."""
    name, chord, key = sung.pitch.name, sung.chord, sung.key
    if is_own(name, chord):
        return
    for other in (Name(name.fifths - 12), Name(name.fifths + 12)):
        has = key.has(other) or other in chord.names
        if abs(other.alter) < 2 and (str(other) not in RARE or has):
            yield Pitch.near(other, sung.pitch.midi)


def reads(voice: list[Sung], index: int, pitch: Pitch) -> bool:
    """Whether a note, so named, is a plain interval from both its neighbours."""
    beside = [voice[i].pitch for i in (index - 1, index + 1) if 0 <= i < len(voice)]
    return all(is_read(each, pitch) for each in beside)


@with_each("preset", PRESETS)
def test_a_step_is_written_as_a_step(preset: str) -> None:
    """No diminished third, and no interval altered twice, where another name of one of the two
    notes would make plain intervals; but a semitone on either side of the note that follows
    (common practice)."""
    for voice in voices(preset):
        for index, (one, other) in enumerate(pairwise(voice)):
            if is_read(one.pitch, other.pitch) or abs(one.pitch.midi - other.pitch.midi) > 2:
                continue
            if encloses(voice, index):
                continue
            for place in (index, index + 1):
                for better in usual(voice[place]):
                    assert not reads(voice, place, better), (one, other, str(better))


@with_each("preset", PRESETS)
def test_a_sound_has_one_name_under_a_chord(preset: str) -> None:
    """Within a bar and a chord, a sound that comes again has the name that it had; but an approach
    is not written with the double accidental that a chord tone has."""
    for voice in voices(preset):
        names: dict[tuple[int, Chord, int], Name] = {}
        for sung in voice:
            name = sung.pitch.name
            known = names.setdefault((sung.bar, sung.chord, name.pitch_class), name)
            double = "approach" in sung.mark and abs(known.alter) > 1
            assert known == name or double, sung


@with_each("preset", PRESETS)
def test_white_keys_have_their_plain_names(preset: str) -> None:
    """E#, B#, Cb and Fb are written only where the key or the chord has them, as b9 or b13 of a
    dominant, or where the plain name would make no plain interval with a neighbour, or a second
    name in the bar."""
    for voice in voices(preset):
        for sung in voice:
            name = sung.pitch.name
            if str(name) not in RARE or sung.key.has(name) or is_own(name, sung.chord):
                continue
            if falls(sung) == name:
                continue
            again = [i for i, each in enumerate(voice) if each.bar == sung.bar]
            same = [i for i in again if voice[i].pitch.name == name]
            plain = [Pitch.near(name.simplest, voice[i].pitch.midi) for i in same]
            assert not all(reads(voice, *each) for each in zip(same, plain, strict=True)), sung


def falls(sung: Sung) -> Name | None:
    """The b9 or b13 of a dominant that a note sounds like, where it has one flat at most."""
    tensions = [sung.chord.root.above(Degree(number, -1)) for number in (9, 13)]
    named = (name for name in tensions if name.pitch_class == sung.pitch.name.pitch_class)
    return next((name for name in named if sung.chord.is_dominant and name.alter >= -1), None)


@with_each("preset", PRESETS)
def test_flat_tensions_have_their_degrees_letter(preset: str) -> None:
    """b9 and b13 of a dominant's scale are written as that, Cb and Fb too, and what falls to the b9
    as a flat: Db Cb over Bb7 (altered: 1 b9 #9 3 #11 b13 b7, common practice)."""
    for voice in voices(preset):
        for before, sung in pairwise([None, *voice]):
            assert sung is not None
            if sung.mark in ("b2", "b6", "b9", "b13") and not is_own(sung.pitch.name, sung.chord):
                name = falls(sung)
                assert name in (None, sung.pitch.name), sung
                if before and before.pitch.midi == sung.pitch.midi + 2 and name:
                    assert is_read(before.pitch, sung.pitch), sung


@with_each("preset", PRESETS)
def test_each_degree_has_one_letter(preset: str) -> None:
    """A sound that is one of its chord's tones is written as that, and else only as an approach."""
    for voice in voices(preset):
        for sung in voice:
            tones = [sung.chord.root.above(d) for d in sung.chord.degrees if d.number <= 7]
            own = [name for name in tones if name.pitch_class == sung.pitch.name.pitch_class]
            named = sung.pitch.name in own or sung.pitch.name == sung.chord.bass_name
            assert not own or named or sung.mark == "approach", sung


@with_each("preset", PRESETS)
def test_double_accidentals_are_the_chords_own(preset: str) -> None:
    """F## is written as the third of D#7 and the like, and nowhere else."""
    for voice in voices(preset):
        for sung in voice:
            assert abs(sung.pitch.name.alter) < 2 or is_own(sung.pitch.name, sung.chord), sung


def test_the_measure_finds_faults() -> None:
    """Eb D# F, below, is a fault of the first kind; F D# E is none."""
    chord, key = parse_chord("Edim7"), Key.parse("Bb")
    voice = [Sung(Pitch.parse(text), chord, key, 0) for text in ("E3", "D#3", "F3", "G3")]
    assert not is_read(voice[1].pitch, voice[2].pitch) and not encloses(voice, 1)
    assert [str(each) for each in usual(voice[1])] == ["Eb3"]
    assert reads(voice, 1, Pitch.parse("Eb3"))
    assert encloses([Sung(Pitch.parse(t), chord, key, 0) for t in ("F3", "D#3", "F3", "E3")], 0)
