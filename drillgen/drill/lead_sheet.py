"""Chords and melody that another program has written, as this language has them.

    progression: tune.musicxml
    line: {kind: written, notes: tune.musicxml}       # or tune.mid

MusicXML 4.0 (W3C), plain or compressed (.mxl).  Repeats, endings and jumps are played out: after a
da capo or dal segno repeats are not taken and endings are the last ones (common practice).  A chord
off the beat belongs to the nearest beat.  A part for a transposing instrument is read as it sounds.

A Standard MIDI File (RP-001) gives one voice: see the section on what was played.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from drillgen.drill.bars import METERS, Meter
from drillgen.drill.key_cycle import read_key
from drillgen.drill.melody import LENGTHS, MAX_BARS, ScaleNote
from drillgen.drill.messages import DrillError, RefusedError, listed, refuse, show
from drillgen.drill.reader import read_data, refused_at
from drillgen.drill.yaml_source import SourceItem
from drillgen.theory.chord_types import KINDS, ascending
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Mode, Name, Pitch, degree_over

if TYPE_CHECKING:  # few drills name a lead sheet: what reads one is imported when it is met
    from xml.etree import ElementTree as ET
    from zipfile import ZipFile

    from mido import Message, MidiFile

ENDINGS = (".musicxml", ".mxl", ".xml")
PLAYED = (".mid", ".midi")
_LARGEST = 20 << 20  # bytes, also of what a compressed file becomes
_CONTAINER = "META-INF/container.xml"
_MOST = 2000  # measures as played: more is a jump that never ends
_NO_CHORD = "N.C."
_ALLOWED = "a lead sheet in MusicXML (.musicxml, .mxl), as notation editors export it"
_LEADING = {"major": 0, "minor": 3}  # fifths from the signature to the tonic


@dataclass(frozen=True, slots=True)
class LeadSheet:
    """What is read, bar by bar as it is played."""

    key: Key
    meter: Meter
    measures: tuple[_Measure, ...]
    pickup: _Measure | None

    @property
    def chords(self) -> tuple[str, ...]:
        return tuple(_by_bar(self.measures))

    @property
    def notes(self) -> tuple[str, ...]:
        """With the pick-up, where there is one, before the first bar.  Raises RefusedError."""
        pickup = (self.pickup,) if self.pickup and any(p for _, p, _ in self.pickup.notes) else ()
        return tuple(_melody(self.key, (*pickup, *self.measures)))


@dataclass(slots=True)
class _Measure:
    """A measure as it is written."""

    number: str
    meter: Meter
    chords: list[tuple[Fraction, str]] = field(default_factory=list)  # quarter notes, symbol
    notes: list[tuple[Fraction, Pitch | None, bool]] = field(default_factory=list)  # tied on
    voices: set[str] = field(default_factory=set)
    length: Fraction = Fraction(0)
    forward: bool = False
    backward: int = 0  # how often the repeat is played; 0 where none ends here
    ending: frozenset[int] = frozenset()
    marks: set[str] = field(default_factory=set)  # segno, coda, tocoda, fine, dacapo, dalsegno

    def refuse(self, message: str, allowed: str = "") -> RefusedError:
        return refuse(f"measure {self.number}: {message}", allowed)


def read_lead_sheet(path: Path) -> LeadSheet:
    """Raises RefusedError."""
    data = read_data(path, _LARGEST)
    if len(data) > _LARGEST:
        raise refuse("the file is too large for a lead sheet", f"up to {_LARGEST >> 20} MB")
    if data[:4] == b"MThd":
        raise refuse("a MIDI file has no chord symbols", _ALLOWED)
    root = _score(data)
    if root.tag != "score-partwise":
        raise refuse("this is no score in MusicXML by parts", _ALLOWED)
    parts = root.findall("part")
    part = next((each for each in parts if each.find(".//harmony") is not None), None)
    if part is None:
        raise refuse("the score has no chord symbols", _ALLOWED)
    reading = _Reading()
    measures = [reading.measure(each) for each in part.findall("measure")]
    if not measures:
        raise refuse("the score has no measures", _ALLOWED)
    short = len(measures) > 1 and 0 < measures[0].length < reading.meter.bar
    pickup, measures = (measures[0], measures[1:]) if short else (None, measures)
    order = tuple(measures[place] for place in _played(measures))
    return LeadSheet(reading.key, reading.meter, order, pickup)


def _score(data: bytes) -> ET.Element:
    import zipfile
    from xml.etree import ElementTree as ET

    if zipfile.is_zipfile(io.BytesIO(data)):
        data = _unpacked(data)
    if b"<!ENTITY" in data:
        raise refuse("the file declares entities, which no score needs", _ALLOWED)
    try:
        return ET.fromstring(data)
    except (ET.ParseError, ValueError, LookupError) as error:
        raise refuse(f"the file is not readable as XML ({error})", _ALLOWED) from None


def _unpacked(data: bytes) -> bytes:
    """The score in a compressed file: the first that its container names (MusicXML 4.0, .mxl)."""
    import zipfile
    from xml.etree import ElementTree as ET

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            container = ET.fromstring(_member(packed, _CONTAINER))
            name = next(each.get("full-path", "") for each in container.iter("rootfile"))
            return _member(packed, name)
    except (zipfile.BadZipFile, KeyError, StopIteration, ET.ParseError, OSError, RuntimeError,
            NotImplementedError, ValueError) as error:  # fmt: skip
        raise refuse(f"the file is no compressed score ({error})", _ALLOWED) from None


def _member(packed: ZipFile, name: str) -> bytes:
    if packed.getinfo(name).file_size > _LARGEST:
        raise refuse("the score in the file is too large", f"up to {_LARGEST >> 20} MB")
    with packed.open(name) as file:
        return file.read(_LARGEST + 1)


# From XML to measures.

_WORDS = {
    "dacapo": r"\bD\.? ?C\.?(?!\w)|\bda capo\b",
    "dalsegno": r"\bD\.? ?S\.?(?!\w)|\bdal segno\b",
    "tocoda": r"\bto coda\b",
    "fine": r"^\s*fine\s*$",
}  # common practice
_SIGNS = ("segno", "coda", "tocoda", "fine", "dacapo", "dalsegno")


class _Reading:
    """What a measure takes over from those before it."""

    def __init__(self) -> None:
        self.meter = METERS["4/4"]
        self.key = Key(Name.parse("C"))
        self._divisions = Fraction(1)
        self._fifths = 0  # from what is written to what sounds
        self._semitones = 0
        self._ending: frozenset[int] = frozenset()
        self._first: dict[str, bool] = {}

    def measure(self, element: ET.Element) -> _Measure:
        found = _Measure(element.get("number", "?"), self.meter)
        at = Fraction(0)
        ends = False
        for each in element:
            if each.tag == "attributes":
                self._attributes(each, found)
            elif each.tag == "harmony":
                self._harmony(each, found, at)
            elif each.tag in ("direction", "sound"):
                found.marks |= set(_marks(each))
            elif each.tag == "barline":
                ends |= self._barline(each, found)
            elif each.tag == "note":
                at = self._note(each, found, at)
            elif each.tag in ("backup", "forward"):
                at += self._quarters(each, found) * (1 if each.tag == "forward" else -1)
            found.length = max(found.length, at)
        found.meter = self.meter
        found.ending = found.ending or self._ending
        if ends:
            self._ending = frozenset()
        return found

    def _attributes(self, element: ET.Element, found: _Measure) -> None:
        self._divisions = _number(element, "divisions", found) or self._divisions
        if (transpose := element.find("transpose")) is not None:
            chromatic = int(_number(transpose, "chromatic", found) or 0)
            diatonic = int(_number(transpose, "diatonic", found) or 0)
            octaves = int(_number(transpose, "octave-change", found) or 0)
            self._fifths = 7 * chromatic - 12 * diatonic
            self._semitones = chromatic + 12 * octaves
        if (key := element.find("key")) is not None and not self._again("key"):
            self.key = self._key(key, found)
        if (time := element.find("time")) is not None:
            text = f"{time.findtext('beats', '')}/{time.findtext('beat-type', '')}"
            if text not in METERS:
                raise found.refuse(f"the meter {show(text)}", listed(METERS))
            if self._again("time") and METERS[text] != self.meter:
                raise found.refuse("the meter changes", "one meter throughout")
            self.meter = METERS[text]

    def _again(self, what: str) -> bool:
        known, self._first[what] = self._first.get(what, False), True
        return known

    def _key(self, element: ET.Element, found: _Measure) -> Key:
        fifths = int(_number(element, "fifths", found) or 0)
        mode: Mode = "minor" if element.findtext("mode", "").strip() == "minor" else "major"
        return Key(Name(fifths + _LEADING[mode] + self._fifths), mode).simplest

    def _quarters(self, element: ET.Element, found: _Measure) -> Fraction:
        return (_number(element, "duration", found) or Fraction(0)) / self._divisions

    def _harmony(self, element: ET.Element, found: _Measure, at: Fraction) -> None:
        offset = (_number(element, "offset", found) or Fraction(0)) / self._divisions
        text = _chord(element, found, self._fifths)
        if all(start != at + offset for start, _ in found.chords):  # of two, the first
            found.chords.append((at + offset, text))

    def _note(self, element: ET.Element, found: _Measure, at: Fraction) -> Fraction:
        if element.find("grace") is not None:
            return at
        length = self._quarters(element, found)
        silent = element.find("rest") is not None or element.find("unpitched") is not None
        if element.find("chord") is not None:
            found.voices |= {"chord"} if not silent else set()
            return at
        voice = element.findtext("voice", "1").strip()
        slash = element.findtext("notehead", "").strip() == "slash"
        if silent or slash:
            pitch = None
        else:
            found.voices.add(voice)
            pitch = self._pitch(element, found)
        if voice == "1" or (pitch is not None and found.voices == {voice}):
            tied = any(tie.get("type") == "start" for tie in element.findall("tie"))
            found.notes.append((length, pitch, tied))
        return at + length

    def _pitch(self, element: ET.Element, found: _Measure) -> Pitch:
        written = element.find("pitch")
        if written is None:
            raise found.refuse("a note has no pitch")
        name = _name(written, "step", "alter", found)
        octave = int(_number(written, "octave", found) or 0)
        midi = Pitch(name, octave).midi + self._semitones
        return Pitch.near(Name(name.fifths + self._fifths), midi)

    def _barline(self, element: ET.Element, found: _Measure) -> bool:
        """Whether an ending stops here."""
        repeat, ending = element.find("repeat"), element.find("ending")
        if repeat is not None and repeat.get("direction") == "forward":
            found.forward = True
        elif repeat is not None:
            times = repeat.get("times", "2")
            found.backward = int(times) if times.isdecimal() and len(times) < 3 else 2
        if ending is None:
            return False
        if ending.get("type") == "start":
            numbers = re.findall(r"\d{1,2}", ending.get("number", "1"))
            self._ending = found.ending = frozenset(map(int, numbers)) or frozenset((1,))
        return ending.get("type") in ("stop", "discontinue")


def _number(element: ET.Element, tag: str, found: _Measure) -> Fraction | None:
    text = element.findtext(tag)
    if text is None or not text.strip():
        return None
    try:
        return Fraction(text.strip())
    except (ValueError, ZeroDivisionError):
        raise found.refuse(f"{show(text)} is no number of {tag}") from None


def _name(element: ET.Element, step: str, alter: str, found: _Measure) -> Name:
    letter = element.findtext(step, "").strip().upper()
    change = int(_number(element, alter, found) or 0)
    if letter not in set("ABCDEFG") or abs(change) > 2:
        raise found.refuse(f"{show(letter)} is no note", "A to G, up to two accidentals")
    return Name.parse(letter + "#" * change + "b" * -change)


def _marks(element: ET.Element) -> Iterator[str]:
    """The jumps, and what they lead to, of a direction or a sound."""
    for sound in element.iter("sound"):
        yield from (sign for sign in _SIGNS if sound.get(sign) not in (None, "no"))
    for sign in ("segno", "coda"):
        if element.find(f"direction-type/{sign}") is not None and not list(element.iter("sound")):
            yield sign
    for words in element.iter("words"):
        text = words.text or ""
        yield from (sign for sign, like in _WORDS.items() if re.search(like, text, re.IGNORECASE))


def _chord(element: ET.Element, found: _Measure, fifths: int) -> str:
    """A chord as it sounds, in this language's words."""
    kind = element.findtext("kind", "").strip()
    root = element.find("root")
    if kind == "none":
        return _NO_CHORD
    if root is None or kind not in KINDS:
        what = f"the kind {show(kind)}" if root is not None else "a chord without its root"
        raise found.refuse(f"{what} is no chord symbol", "roots and kinds of MusicXML 4.0")
    name = _name(root, "root-step", "root-alter", found)
    bass = element.find("bass")
    under = _name(bass, "bass-step", "bass-alter", found) if bass is not None else None
    try:
        degrees = _degrees(element, kind, found)
        return Chord.of(name, degrees, under).transposed(fifths).text
    except ValueError:
        raise found.refuse(f"no chord symbol says {name} {kind} with its degrees") from None


def _degrees(element: ET.Element, kind: str, found: _Measure) -> tuple[Degree, ...]:
    """A kind's degrees with what is added, altered or subtracted.  An added seventh is a dominant's
    where it is not altered; an alteration counts from the degree that the kind has (MusicXML 4.0,
    `degree-alter`)."""
    degrees = {degree.number: degree for degree in KINDS[kind]}
    more: list[Degree] = []
    for each in element.findall("degree"):
        number = int(_number(each, "degree-value", found) or 0)
        alter = int(_number(each, "degree-alter", found) or 0)
        how = each.findtext("degree-type", "add").strip()
        if not 1 <= number <= 13 or abs(alter) > 2:
            raise found.refuse(f"a chord's degree {number}", "1 to 13")
        if how == "subtract":
            degrees.pop(number, None)
        elif how == "alter" and number in degrees:
            degrees[number] = Degree(number, degrees[number].alter + alter)
        else:
            more.append(Degree(number, alter - (number == 7)))
    return ascending([*degrees.values(), *more])


# From what is written to what is played.


def _played(measures: Sequence[_Measure]) -> list[int]:
    """The places of the measures in playing order.  Raises RefusedError for what never ends."""
    order: list[int] = []
    start, turn, at, jumped = 0, 1, 0, False
    while at < len(measures):
        measure = measures[at]
        if measure.forward and at != start:
            start, turn = at, 1
        most = _times(measures, start)
        turn = most if jumped else turn
        if measure.ending and turn not in measure.ending and (not jumped or turn <= most):
            at += 1
            continue
        order.append(at)
        if len(order) > _MOST:
            raise measure.refuse("repeats and jumps never end", "a form that ends")
        if jumped and "fine" in measure.marks:
            break
        if jumped and "tocoda" in measure.marks:
            at = start = _target(measures, "coda", at)
            continue
        if measure.backward and turn < most:
            turn, at = turn + 1, start
            continue
        closes = measure.ending and (at + 1 == len(measures) or not measures[at + 1].ending)
        if measure.backward or (closes and turn == most):
            start, turn = at + 1, 1
        if not jumped and measure.marks & {"dacapo", "dalsegno"}:
            jumped = True
            at = start = 0 if "dacapo" in measure.marks else _target(measures, "segno", 0)
            continue
        at += 1
    return order


def _times(measures: Sequence[_Measure], start: int) -> int:
    """How often the section that begins at a place is played."""
    most = 1
    for place, measure in enumerate(measures[start:], start):
        if measure.forward and place != start:
            break
        most = max(most, measure.backward, *measure.ending)
        if measure.backward and not measure.ending:
            break
    return most


def _target(measures: Sequence[_Measure], sign: str, after: int) -> int:
    """Where a sign stands: a coda's last one, behind the jump."""
    places = [place for place, each in enumerate(measures) if sign in each.marks]
    found = [place for place in places if sign == "segno" or place > after]
    if not found:
        raise measures[after].refuse(f"the jump leads to a {sign}, and there is none")
    return found[-1] if sign == "coda" else found[0]


def _by_bar(order: Sequence[_Measure]) -> Iterator[str]:
    """Each bar's chords by beats; one struck late in a bar that belongs to the next is there."""
    sounding, late = _NO_CHORD, ""
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


def _melody(key: Key, measures: Sequence[_Measure]) -> Iterator[str]:
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


def _words(what: str, length: Fraction, tied: bool, measure: _Measure) -> Iterator[str]:
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
    voices, their_key, their_meter = _voices(read_data(path, _LARGEST))
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


def _measures(placed: Sequence[_Played], key: Key, meter: Meter) -> Iterator[_Measure]:
    """Bar by bar, with rests between notes; what crosses a beat in triplets is tied over it."""
    count = -(-placed[-1].end // meter.bar)
    if count > MAX_BARS:
        raise refuse(f"the melody has {count} bars", f"up to {MAX_BARS}")
    measures = [_Measure(str(number + 1), meter, voices={"1"}) for number in range(count)]
    at = Fraction(0)
    for each, pitch in zip(placed, _spelled([each.key for each in placed], key), strict=True):
        for start, end, what in ((at, each.start, None), (each.start, each.end, pitch)):
            _fill(measures, start, end, what)
        at = each.end
    _fill(measures, at, count * meter.bar, None)
    yield from measures


def _fill(measures: Sequence[_Measure], start: Fraction, end: Fraction, what: Pitch | None) -> None:
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
            bars = sheet.chords if path == ("progression",) else sheet.notes
        except RefusedError as refused:
            said = Path(name).name
            wrongs = [replace(each, message=f"{said}: {each.message}") for each in refused.wrongs]
            raise DrillError(refused_at(item, path, RefusedError(wrongs))) from None
        _put(found, path, replace(named, value=" | ".join(bars), style=None))
        for key, value in (("key", str(sheet.key)), ("meter", sheet.meter.text)):
            if key not in found:
                found[key] = replace(named, value=value, key=None)
    return replace(item, value=found)


def _at(found: dict[str, SourceItem], path: tuple[str, ...]) -> SourceItem | None:
    """The item at a path, where it names a lead sheet."""
    here = found.get(path[0])
    for step in path[1:]:
        here = here.value.get(step) if here and isinstance(here.value, dict) else None
    if here is None or not isinstance(here.value, str):
        return None
    return here if here.value.strip().lower().endswith((*ENDINGS, *PLAYED)) else None


def _said_before(found: dict[str, SourceItem]) -> tuple[Key | None, Meter | None]:
    """Key and meter as the drill or its lead sheet has them; what is wrong in them is said
    later."""
    said, meter = found.get("key"), found.get("meter")
    try:
        key = read_key(said.value) if said else None
    except RefusedError:
        key = None
    return key, METERS.get(meter.value) if meter and isinstance(meter.value, str) else None


def _put(found: dict[str, SourceItem], path: tuple[str, ...], item: SourceItem) -> None:
    if len(path) > 1:
        outer = found[path[0]]
        item = replace(outer, value={**outer.value, path[1]: item})
    found[path[0]] = item
