"""Chords and melody that another program has written, as this language has them.

    progression: tune.musicxml
    line: {kind: written, notes: tune.musicxml}       # or tune.mid

A score in MusicXML is read by `score_file`.  A chord off the beat belongs to the nearest beat.

A Standard MIDI File (RP-001) gives one voice: see the section on what was played.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quicktions import Fraction

from drillgen.drill.bars import METERS, Meter
from drillgen.drill.files import PLAYED, names_music, read_data
from drillgen.drill.key_cycle import read_key
from drillgen.drill.melody import LENGTHS, MAX_BARS, ScaleNote
from drillgen.drill.messages import DrillError, RefusedError, listed, refuse, show
from drillgen.drill.progression import read_progression
from drillgen.drill.reader import refused_at
from drillgen.drill.score_file import LARGEST, NO_CHORD, ReadScore, ScoreMeasure, read_score
from drillgen.drill.score_form import playing_order, sections
from drillgen.drill.yaml_source import SourceItem
from drillgen.theory.pitch import Degree, Key, Name, Pitch, degree_over

if TYPE_CHECKING:  # few drills name a lead sheet: what reads one is imported when it is met
    from mido import Message, MidiFile


@dataclass(frozen=True, slots=True)
class LeadSheet(ReadScore):
    """What is read, bar by bar as it is played."""

    form: dict[str, Any] = field(default_factory=dict)  # sections, where they are the same bars

    @property
    def chords(self) -> tuple[str, ...]:
        return tuple(_by_bar(self.measures))

    @property
    def notes(self) -> tuple[str, ...]:
        """With the pick-up, where there is one, before the first bar.  Raises RefusedError."""
        pickup = (self.pickup,) if self.pickup and any(p for _, p, _ in self.pickup.notes) else ()
        return tuple(_melody(self.key, (*pickup, *self.measures)))


def read_lead_sheet(path: Path) -> LeadSheet:
    """Raises RefusedError."""
    found = read_score(path)
    order = playing_order(found.measures)
    played = tuple(found.measures[place] for place in order.places)
    form = sections(found.measures, order, tuple(_by_bar(played)))
    sheet = LeadSheet(found.key, found.meter, played, found.pickup, form)
    return sheet if _is_said(sheet) else replace(sheet, form={})


def _is_said(sheet: LeadSheet) -> bool:
    """Whether sections say the same bars, and more than bars alone."""
    try:
        both = [read_progression(said, {"meter": sheet.meter})
                for said in (sheet.form, " | ".join(sheet.chords))]  # fmt: skip
    except RefusedError:
        return False
    one, other = ([bar.slots for bar in each.bars] for each in both)
    return one == other and (len(sheet.form) > 2 or " " in sheet.form["form"])


# The chords, bar by bar.


def _by_bar(order: Sequence[ScoreMeasure]) -> Iterator[str]:
    """Each bar's chords by beats; one struck late in a bar that belongs to the next is there."""
    sounding, late = NO_CHORD, ""
    for measure in order:
        placed = {0: late or sounding}
        late = ""
        for start, text in measure.chords:
            beat = int(start / measure.meter.beat + Fraction(1, 2))
            if beat < measure.meter.beats:
                placed[max(beat, 0)] = text
            else:
                late = text
        yield _by_beats(placed, measure.meter)
        sounding = placed[max(placed)]


def _by_beats(placed: dict[int, str], meter: Meter) -> str:
    """`Dm7 / G7 /` of chords by their beats."""
    struck = [beat for beat in sorted(placed) if not beat or placed[beat] != _before(placed, beat)]
    if len(struck) == 1:
        return placed[0]
    lasting = zip(struck, [*struck[1:], meter.beats], strict=True)
    return " ".join(placed[beat] + " /" * (end - beat - 1) for beat, end in lasting)


def _before(placed: dict[int, str], beat: int) -> str:
    return placed[max(each for each in placed if each < beat)]


# The melody, as degrees of the tonic.

_UNTIED = {
    length * change: letter + sign
    for letter, length in LENGTHS.items()
    for sign, change in (("", Fraction(1)), (".", Fraction(3, 2)), ("t", Fraction(2, 3)))
}
_WHOLE = sorted((each for each in _UNTIED if each.denominator in (1, 2, 4, 8)), reverse=True)


def _melody(key: Key, measures: Sequence[ScoreMeasure]) -> Iterator[str]:
    """Bar by bar, with the tonic's octave in the middle of what is played."""
    from statistics import median

    sounding = [pitch for each in measures for _, pitch, _ in each.notes if pitch]
    if not sounding:
        raise refuse("the lead sheet has no notes", "one voice, below its chord symbols")
    middle = median(pitch.midi for pitch in sounding)
    tonic = Pitch.near(key.tonic, middle - _BELOW)
    for measure in measures:
        if len(measure.voices) > 1:
            raise measure.refuse("more than one note sounds at once", "a melody of one voice")
        yield " ".join(
            word
            for length, pitch, tied in measure.notes
            for word in _words(_degree(pitch, tonic), length, tied, measure)
        )


_BELOW = 5  # semitones: the tonic lies under the middle of a melody, which turns round its third


def _degree(pitch: Pitch | None, tonic: Pitch) -> str:
    if pitch is None:
        return "r"
    for name in (pitch.name, pitch.name.simplest):
        degree = degree_over(tonic.name, name)
        if abs(degree.alter) <= 1:
            break
    octaves = (pitch.midi - tonic.midi - degree.semitones) // 12
    return str(ScaleNote(degree, octaves))


def _words(what: str, length: Fraction, tied: bool, measure: ScoreMeasure) -> Iterator[str]:
    """A note in the lengths that there are, tied."""
    tie = "~" if what != "r" else ""
    while length not in _UNTIED:
        part = next((each for each in _WHOLE if each < length), None)
        if part is None:
            raise measure.refuse(f"a note is {length} of a quarter long", "sixteenths and triplets")
        yield f"{what}:{_UNTIED[part]}{tie}"
        length -= part
    yield f"{what}:{_UNTIED[length]}{tie if tied else ''}"


# What was played: one voice of a Standard MIDI File, set on the grid.
#
# Every beat is heard in sixteenths or in triplets, whichever lies nearer.  Where everything off the
# beat lies round two thirds of it, these are swung eighths, which are written straight (common
# practice).  A note lasts until the next begins, unless a rest of an eighth at least is between
# them, or it ends on the grid.  Empty bars before the first note are left out.

_SIXTEENTH, _EXACT = Fraction(1, 4), Fraction(1, 48)  # quarter notes
_SHORTEST_REST = Fraction(1, 2)
_STEPS = (4, 3)  # of a quarter note; the first where both are as near
_LATE = (Fraction(11, 20), Fraction(3, 4))  # of a beat: where swung eighths lie
_ON_BEAT = Fraction(1, 12)  # of a beat, before or behind it
_DRUMS = 9  # channel, from 0 (General MIDI 1)
_FLATS = ("1", "b2", "2", "b3", "3", "4", "#4", "5", "b6", "6", "b7", "7")
_RISING = {1: "#1", 3: "#2", 8: "#5"}  # before the semitone above; in minor 3 and 8 are its own
_FALLING = {6: "b5"}  # before the semitone below


@dataclass(frozen=True, slots=True)
class _Played:
    """A note as it was played: quarter notes from the file's start."""

    start: Fraction
    end: Fraction
    key: int  # MIDI's


def read_played(path: Path, key: Key | None = None, meter: Meter | None = None) -> LeadSheet:
    """One voice; the drill's key and meter go before the file's.  Raises RefusedError."""
    voices, their_key, their_meter = _voices(read_data(path, LARGEST))
    if len(voices) != 1:
        found = f"{len(voices)} voices ({listed(voices)})" if voices else "no note"
        raise refuse(f"the file has {found}", "one voice: one track, one channel")
    (played,) = voices.values()
    meter, key = meter or their_meter or METERS["4/4"], key or their_key or Key(Name.parse("C"))
    placed = _on_the_grid(played, meter)
    return LeadSheet(key, meter, tuple(_measures(placed, key, meter)), None)


def _voices(data: bytes) -> tuple[dict[str, list[_Played]], Key | None, Meter | None]:
    """By track and channel, drums left out; key and meter where the file says them.  Raises
    RefusedError."""
    import mido

    allowed = "a Standard MIDI File (.mid) that counts in beats"
    try:
        file = mido.MidiFile(file=io.BytesIO(data), clip=True)
        messages = [(name, each) for name, track in _tracks(file) for each in track]
    except (OSError, EOFError, ValueError, LookupError, TypeError,
            mido.midifiles.meta.KeySignatureError):  # fmt: skip
        raise refuse("the file is not readable as MIDI", allowed) from None
    if file.type == 2 or not 0 < file.ticks_per_beat < 1 << 15:
        raise refuse("the file does not count in beats from one start", allowed)
    reading = _MidiReading(file.ticks_per_beat)
    for name, (ticks, message) in messages:
        reading.read(name, ticks, message)
    return reading.voices, reading.key, reading.meter


def _tracks(file: MidiFile) -> Iterator[tuple[str, list[tuple[int, Message]]]]:
    """Name and messages of each track, with ticks from the start."""
    for number, track in enumerate(file.tracks, 1):
        ticks, placed = 0, []
        for message in track:
            ticks += message.time
            placed.append((ticks, message))
        yield track.name or f"track {number}", placed


class _MidiReading:
    """What a file's messages say."""

    def __init__(self, ticks: int) -> None:
        self.voices: dict[str, list[_Played]] = {}
        self.key: Key | None = None
        self.meter: Meter | None = None
        self._ticks = ticks
        self._sounding: dict[tuple[str, int], Fraction] = {}

    def read(self, track: str, ticks: int, message: Message) -> None:
        at = Fraction(ticks, self._ticks)
        if message.type == "time_signature":
            self._time(f"{message.numerator}/{message.denominator}")
        elif message.type == "key_signature" and self.key is None:
            self.key = Key.parse(message.key)
        elif message.type in ("note_on", "note_off") and message.channel != _DRUMS:
            name = f"{track}, channel {message.channel + 1}"
            begun = self._sounding.pop((name, message.note), None)
            if begun is not None and at > begun:
                self.voices.setdefault(name, []).append(_Played(begun, at, message.note))
            if message.type == "note_on" and message.velocity:
                self._sounding[name, message.note] = at

    def _time(self, text: str) -> None:
        if text not in METERS:
            raise refuse(f"the meter {show(text)}", listed(METERS))
        if self.meter is not None and METERS[text] != self.meter:
            raise refuse("the meter changes", "one meter throughout")
        self.meter = METERS[text]


def _on_the_grid(played: Sequence[_Played], meter: Meter) -> list[_Played]:
    """In time, one after the other, from the first bar that has a note.  Raises RefusedError."""
    played = sorted(played, key=lambda each: each.start)
    beats = _Grid([each.start for each in played], meter)
    first = beats.near(played[0].start) // meter.bar * meter.bar
    found: list[_Played] = []
    for each, following in zip(played, [*played[1:], None], strict=True):
        start, then = beats.near(each.start), None
        if following is not None:
            then = beats.near(following.start)
            number = (then - first) // meter.bar + 1
            if then <= start or each.end - following.start > _SIXTEENTH:
                said = f"bar {number}: more than one note sounds at once"
                raise refuse(said, "a melody of one voice")
        end = _end(each, start, beats.near(each.end), then)
        found.append(_Played(start - first, end - first, each.key))
    return found


def _end(each: _Played, start: Fraction, end: Fraction, then: Fraction | None) -> Fraction:
    """Where a note ends that would by the grid at `end`; `then` the next begins."""
    if then is None:
        return max(end, start + _SIXTEENTH)
    written = abs(each.end - end) <= _EXACT
    short = then - end < _SHORTEST_REST and not written
    return then if short or not start < end <= then else end


class _Grid:
    """Where notes may begin: each beat in sixteenths or in triplets, or all in swung eighths."""

    def __init__(self, starts: Sequence[Fraction], meter: Meter) -> None:
        off = [at % 1 for at in starts if _ON_BEAT < at % 1 < 1 - _ON_BEAT]
        plain = meter.beat == 1
        self._swung = plain and bool(off) and all(_LATE[0] < each < _LATE[1] for each in off)
        self._steps: dict[int, int] = {}
        for beat in {at // 1 for at in starts} if plain and not self._swung else ():
            here = [at % 1 for at in starts if at // 1 == beat]
            self._steps[beat] = min(_STEPS, key=lambda steps: sum(_apart(at, steps) for at in here))

    def near(self, at: Fraction) -> Fraction:
        beat, place = at // 1, at % 1
        if self._swung:
            late = _ON_BEAT < place < 1 - _ON_BEAT
            return beat + (Fraction(1, 2) if late else Fraction(round(place)))
        steps = self._steps.get(beat, _STEPS[0])
        return beat + Fraction(round(place * steps), steps)


def _apart(place: Fraction, steps: int) -> Fraction:
    return abs(place - Fraction(round(place * steps), steps))


def _measures(placed: Sequence[_Played], key: Key, meter: Meter) -> Iterator[ScoreMeasure]:
    """Bar by bar, with rests between notes; what crosses a beat in triplets is tied over it."""
    count = -(-placed[-1].end // meter.bar)
    if count > MAX_BARS:
        raise refuse(f"the melody has {count} bars", f"up to {MAX_BARS}")
    measures = [ScoreMeasure(str(number + 1), meter, voices={"1"}) for number in range(count)]
    at = Fraction(0)
    for each, pitch in zip(placed, _spelled([each.key for each in placed], key), strict=True):
        for start, end, what in ((at, each.start, None), (each.start, each.end, pitch)):
            _fill(measures, start, end, what)
        at = each.end
    _fill(measures, at, count * meter.bar, None)
    yield from measures


def _fill(
    measures: Sequence[ScoreMeasure], start: Fraction, end: Fraction, what: Pitch | None
) -> None:
    """A note or rest, cut at bar lines, and at beats where no sign is as long."""
    meter = measures[0].meter
    while start < end:
        bar = measures[int(start // meter.bar)]
        cut = min(end, (start // meter.bar + 1) * meter.bar)
        if cut - start not in _UNTIED:
            cut = Fraction(start // 1 + 1 if start % 1 else start + (cut - start) // 1)
        bar.notes.append((cut - start, what, what is not None and cut < end))
        start = cut


def _spelled(keys: Sequence[int], key: Key) -> Iterator[Pitch]:
    """Names for MIDI's keys: the key's own, else flat, or sharp on the way up."""
    for number, following in zip(keys, [*keys[1:], 0], strict=True):
        above = (number - Pitch.near(key.tonic, 60).midi) % 12
        word = _FLATS[above]
        if key.mode == "major" or above not in (3, 8):
            word = _RISING.get(above, word) if following == number + 1 else word
        word = _FALLING.get(above, word) if following == number - 1 else word
        yield Pitch.near(key.degree(Degree.parse(word)), number)


# What a drill says, with what its lead sheet has.


def with_lead_sheet(item: SourceItem, folder: Path) -> SourceItem:
    """A drill's items, read from the lead sheets that they name, seen from a folder.  The first
    gives the key and the meter where the drill has none.  Raises DrillError."""
    if not isinstance(item.value, dict):
        return item
    found, sheets = dict(item.value), dict[str, LeadSheet]()
    for path in (("progression",), ("line", "notes")):
        named = _at(found, path)
        if named is None:
            continue
        name = named.value.strip()
        try:
            if name not in sheets:
                played = name.lower().endswith(PLAYED)
                sheets[name] = (
                    read_played(folder / name, *_said_before(found))
                    if played and path != ("progression",)
                    else read_lead_sheet(folder / name)
                )
            sheet = sheets[name]
            said = " | ".join(sheet.chords if path == ("progression",) else sheet.notes)
        except RefusedError as refused:
            file = Path(name).name
            wrongs = [replace(each, message=f"{file}: {each.message}") for each in refused.wrongs]
            raise DrillError(refused_at(item, path, RefusedError(wrongs))) from None
        _put(found, path, _item((path == ("progression",) and sheet.form) or said, named))
        for key, value in (("key", str(sheet.key)), ("meter", sheet.meter.text)):
            if key not in found:
                found[key] = replace(named, value=value, key=None)
    return replace(item, value=found)


def _at(found: dict[str, SourceItem], path: tuple[str, ...]) -> SourceItem | None:
    """The item at a path, where it names a lead sheet."""
    here = found.get(path[0])
    for step in path[1:]:
        here = here.value.get(step) if here and isinstance(here.value, dict) else None
    return here if here and names_music(here.value) else None


def _said_before(found: dict[str, SourceItem]) -> tuple[Key | None, Meter | None]:
    """Key and meter as the drill or its lead sheet has them; what is wrong in them is said
    later."""
    said, meter = found.get("key"), found.get("meter")
    try:
        key = read_key(said.value) if said else None
    except RefusedError:
        key = None
    return key, METERS.get(meter.value) if meter and isinstance(meter.value, str) else None


def _item(value: Any, named: SourceItem) -> SourceItem:
    """What a lead sheet says, as if it stood where that is named."""
    if isinstance(value, dict):
        value = {name: replace(_item(each, named), key=None) for name, each in value.items()}
    elif isinstance(value, list):
        value = tuple(_item(each, named) for each in value)
    return replace(named, value=value, style=None)


def _put(found: dict[str, SourceItem], path: tuple[str, ...], item: SourceItem) -> None:
    if len(path) > 1:
        outer = found[path[0]]
        item = replace(outer, value={**outer.value, path[1]: item})
    found[path[0]] = item
