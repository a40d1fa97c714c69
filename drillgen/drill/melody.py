"""Melodies as text: notes with their rhythm, bar by bar.

    5,:e | 1:q b3 4:e 5~ | 5:h r:q.

A note is a degree of the tonic (`1 b3 #4 5,`) or a name with its sounding octave (`D2 F#2`), one
way throughout; `r` is a rest.  Its length stands behind a colon and goes on until it changes; the
first is a quarter.  `~` ties to the next note, also over the bar line.  `|` (and the end of a line)
divides bars, which must add up to the meter; `%` repeats the bar before.

A pick-up is a short first bar for which the last bar leaves room: together they make one bar, so
that the melody can go round.  It is not counted when bars are numbered (common practice).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import islice, pairwise
from typing import Any

from quicktions import Fraction

from drillgen.drill.bars import BarWord, Meter, repeated, split_bars
from drillgen.drill.fields import Read, any_of, several
from drillgen.drill.messages import RefusedError, Wrong, read_each, refuse, show
from drillgen.theory.pitch import Degree, Pitch

# Signs for melodies in text: degrees of the tonic, octaves, and the lengths of notes.
#
# All are common practice: degrees count from the major scale of the tonic in every mode; `'` and
# `,` set an octave higher and lower (Helmholtz); a length is the first letter of its American name
# (whole, half, quarter, eighth, sixteenth), dotted with `.`, or one of three in the time of two
# with `t` (a triplet).

LENGTHS = {
    "w": Fraction(4),
    "h": Fraction(2),
    "q": Fraction(1),
    "e": Fraction(1, 2),
    "s": Fraction(1, 4),
}  # quarter notes
_CHANGED = {"": Fraction(1), ".": Fraction(3, 2), "t": Fraction(2, 3)}
LENGTH = re.compile(r"(?P<letter>[whqes])(?P<change>[.t]?)")
LENGTH_ALLOWED = "w, h, q, e or s, then perhaps . (dotted) or t (triplet): q, h., et"
DEGREE = re.compile(r"(?P<degree>[#♯b♭]?[0-9]{1,2})(?P<octaves>'*|,*)")
DEGREES_ALLOWED = "degrees 1 to 7, with # or b before and ' or , (an octave up or down) behind"
_LAST = 7
_MOST_OCTAVES = 3
_FEWEST, _MOST = 2, 12  # notes of a set


@dataclass(frozen=True, slots=True)
class ScaleNote:
    """A degree of the tonic in an octave: b3 a little above the tonic, 5, a fourth below it."""

    degree: Degree  # number 1 to 7
    octaves: int = 0

    @property
    def semitones(self) -> int:
        """Above the tonic (below it: negative)."""
        return self.degree.semitones + 12 * self.octaves

    def __str__(self) -> str:
        return f"{self.degree}{self.octaves * chr(39) or -self.octaves * ','}"


def length_of(text: str) -> Fraction | None:
    """The quarter notes of 'q.' (3/2) or 'et' (1/3); None where it is no length."""
    found = LENGTH.fullmatch(text)
    return LENGTHS[found["letter"]] * _CHANGED[found["change"]] if found else None


def scale_note(text: str) -> ScaleNote:
    """Read '1', 'b3', '5,' or '#4''.  Raises RefusedError."""
    found = DEGREE.fullmatch(text)
    if not found:
        raise refuse(f"{show(text)} is no degree", DEGREES_ALLOWED)
    degree = Degree.parse(found["degree"]) if found["degree"].strip("#♯b♭0") else None
    octaves = len(found["octaves"]) * (-1 if "," in found["octaves"] else 1)
    if degree is None or degree.number > _LAST:
        raise refuse(f"{show(text)} is no degree", DEGREES_ALLOWED, _within_an_octave(degree))
    if abs(octaves) > _MOST_OCTAVES:
        raise refuse(f"{show(text)} lies too many octaves away", f"up to {_MOST_OCTAVES}")
    return ScaleNote(degree, octaves)


def _within_an_octave(degree: Degree | None) -> str:
    """9 is written 2'."""
    if degree is None or degree.number > 2 * _LAST:
        return ""
    return f'"{ScaleNote(Degree(degree.number - _LAST, degree.alter), 1)}"'


def read_set(value: Any) -> tuple[ScaleNote, ...]:
    """Read a set of notes: [1, b3, 4] or '5, b7, 1'.  Raises RefusedError."""
    if isinstance(value, tuple) and all(isinstance(each, ScaleNote) for each in value):
        return value
    listed = isinstance(value, list | tuple)
    words = list(value) if listed else _words(value)
    if not _FEWEST <= len(words) <= _MOST:
        raise refuse(f"{len(words)} notes", f"{_FEWEST} to {_MOST} notes: [1, b3, 4, 5, b7]")
    notes: list[ScaleNote] = []
    placed = words if not listed else [(word, None) for word in words]
    read_each(placed, lambda word: notes.append(_another(word[0], word[1], notes)), at=listed)
    return tuple(notes)


def _words(value: Any) -> list[Any]:
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise refuse(f"{show(value)} is no set of notes", "[1, b3, 4, 5, b7]")
    return [(found[0], found.start()) for found in re.finditer(r"\S+", str(value))]


def _another(word: Any, offset: int | None, notes: list[ScaleNote]) -> ScaleNote:
    try:
        note = scale_note("" if isinstance(word, bool) else str(word))
        heights = [other.semitones for other in notes]
        if note.semitones in heights:
            first = f"first as note {heights.index(note.semitones) + 1}"
            raise refuse(f"the note {show(str(note))} stands here twice, {first}", "each note once")
    except RefusedError as refused:
        raise RefusedError([replace(refused.wrongs[0], offset=offset)]) from None
    return note


_NOTE = {"anyOf": [{"type": "integer"}, {"type": "string", "minLength": 1}]}
SCALE_NOTES = Read(
    read_set,
    any_of(
        several(_NOTE, _FEWEST, _MOST),
        {"type": "string", "minLength": 1},
        examples=[[1, "b3", 4, 5, "b7"], "5, b7, 1 b3 4"],
    ),
)


Tone = ScaleNote | Pitch
MAX_BARS = 128


@dataclass(frozen=True, slots=True)
class MelodyEvent:
    """A note, or a rest where `tone` is None."""

    tone: Tone | None
    start: Fraction  # quarter notes from its bar's start
    duration: Fraction  # quarter notes
    tied: bool  # to the next event
    offset: int  # where it stands in the text


@dataclass(frozen=True, slots=True)
class MelodyBar:
    """What stands between two bar lines."""

    events: tuple[MelodyEvent, ...]

    @property
    def length(self) -> Fraction:
        """Quarter notes."""
        return sum((event.duration for event in self.events), Fraction(0))


@dataclass(frozen=True, slots=True)
class Melody:
    """The bars of a melody, a pick-up first where it has one."""

    bars: tuple[MelodyBar, ...]
    text: str = ""

    @property
    def tones(self) -> tuple[Tone, ...]:
        """Every note in order, tied ones as often as they are written."""
        return tuple(event.tone for bar in self.bars for event in bar.events if event.tone)

    def pickup(self, bar: Fraction) -> Fraction:
        """The length of its pick-up, where a whole bar has `bar` quarter notes; 0 without one."""
        first, last = self.bars[0].length, self.bars[-1].length
        return first if first < bar and len(self.bars) > 1 and first + last == bar else Fraction(0)

    def check(self, meter: Meter) -> None:
        """Raises RefusedError where bars do not add up to the meter."""
        pickup = self.pickup(meter.bar)
        whole = self.bars[1:-1] if pickup else self.bars  # the two short ones make one
        wrongs = [
            Wrong(
                f"bar {number} adds up to {_quarters(bar.length)}",
                f"{_quarters(meter.bar)} in {meter}{self._or_pickup(number, meter)}",
                offset=bar.events[0].offset,
            )
            for number, bar in enumerate(whole, 1)
            if bar.length != meter.bar
        ]
        if wrongs:
            raise RefusedError(wrongs)

    def _or_pickup(self, number: int, meter: Meter) -> str:
        short = number == 1 and len(self.bars) > 1 and self.bars[0].length < meter.bar
        return ", or a pick-up for which the last bar leaves room" if short else ""


def _quarters(length: Fraction) -> str:
    """'1 quarter note', '3 1/2 quarter notes'."""
    whole, part = divmod(length, 1)
    number = f"{whole or ''} {part or ''}".strip() or "0"
    return f"{number} quarter note{'' if length <= 1 else 's'}"


# Reading melodies: '5,:e | 1:q b3 4:e 5~ | 5:h r:q.'.

_ALLOWED = "a degree (1, b3, 5,), a note with its octave (D2), or r for a rest"
_WORD = re.compile(r"(?P<what>r|[#♯b♭]*[0-9]+(?:'+|,+)?|[A-G][#♯b♭x]*-?[0-9])(?P<rest>.*)")
_REST = re.compile(r"(?P<colon>:(?P<length>[^~]*))?(?P<tie>~?)")
_NAME = re.compile(r"[A-G](##|bb|[#♯b♭x]?)-?[0-9]")
_COMPASS = range(21, 109)  # MIDI keys of the piano, A0 to C8


def read_melody(value: Any) -> Melody:
    """Read a melody.  Raises RefusedError with everything that is wrong, by offset."""
    if isinstance(value, Melody):
        return value
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise refuse(f"{show(value)} is no melody", 'a text: "1:q b3 4:h"')
    text = str(value)
    wrongs: list[Wrong] = []
    bars = tuple(_bars(text, wrongs))
    if not bars and not wrongs:
        raise refuse("there is no note", _ALLOWED)
    if not wrongs:
        wrongs = [*_mixture(bars), *_loose_ties(bars, text)]
    if len(bars) > MAX_BARS:
        wrongs.append(Wrong(f"the melody has {len(bars)} bars", f"up to {MAX_BARS}"))
    if wrongs:
        raise RefusedError(wrongs)
    if not any(event.tone for bar in bars for event in bar.events):
        raise refuse("there are only rests", _ALLOWED, offset=bars[0].events[0].offset)
    return Melody(bars, " ".join(text.split()))


def _bars(text: str, wrongs: list[Wrong]) -> Iterator[MelodyBar]:
    length = LENGTHS["q"]
    before: MelodyBar | None = None
    for words in split_bars(text, "notes, or r for a rest", wrongs):
        try:
            bar = repeated(words, before, _ALLOWED)
            if bar is None:
                bar, length = _bar(words, length, wrongs)
            before = bar
            yield bar
        except RefusedError as refused:
            wrongs += refused.wrongs


def _bar(words: list[BarWord], length: Fraction, wrongs: list[Wrong]) -> tuple[MelodyBar, Fraction]:
    """A bar, and the length that goes on behind it."""
    events: list[MelodyEvent] = []
    place = Fraction(0)
    for word in words:
        try:
            tone, new_length, tied = _event(word.text)
        except RefusedError as refused:
            wrongs += [
                replace(wrong, offset=word.offset + (wrong.offset or 0)) for wrong in refused.wrongs
            ]
            continue
        length = new_length or length
        events.append(MelodyEvent(tone, place, length, tied, word.offset))
        place += length
    return MelodyBar(tuple(events)), length


def _event(word: str) -> tuple[Tone | None, Fraction | None, bool]:
    """Tone (None for a rest), length where one is written, and whether it is tied."""
    found = _WORD.fullmatch(word)
    if not found:
        known = "the note that it ties, without a space: 5:q~" if word == "~" else _ALLOWED
        raise refuse(f"{show(word)} is no note", known)
    tone = _tone(found["what"])
    rest = _REST.fullmatch(found["rest"])
    if not rest:
        raise refuse(
            f"{show(found['rest'])} cannot follow {show(found['what'])}",
            "a length (5:q), a tie (5~), or a space",
            offset=found.start("rest"),
        )
    length = length_of(rest["length"]) if rest["colon"] else None
    if rest["colon"] and length is None:
        raise refuse(
            f"{show(rest['length'])} is no length", LENGTH_ALLOWED, offset=found.start("rest") + 1
        )
    if rest["tie"] and tone is None:
        raise refuse("a rest cannot be tied", "a longer rest", offset=len(word) - 1)
    return tone, length, bool(rest["tie"])


def _tone(what: str) -> Tone | None:
    if what == "r":
        return None
    if what[0] not in "ABCDEFG":
        return scale_note(what)
    pitch = Pitch.parse(what) if _NAME.fullmatch(what) else None
    if pitch is None or pitch.midi not in _COMPASS:
        raise refuse(f"{show(what)} is no note", "a note from A0 to C8")
    return pitch


def _mixture(bars: Iterable[MelodyBar]) -> Iterator[Wrong]:
    """The first note that is not written as those before it."""
    notes = [event for bar in bars for event in bar.events if event.tone]
    others = (event for event in notes if type(event.tone) is not type(notes[0].tone))
    message, allowed = "degrees and notes by name are mixed", "one or the other throughout"
    yield from (Wrong(message, allowed, offset=event.offset) for event in islice(others, 1))


def _loose_ties(bars: Iterable[MelodyBar], text: str) -> Iterator[Wrong]:
    """Ties that lead to no note of the same pitch."""
    events = [event for bar in bars for event in bar.events]
    for event, following in pairwise([*events, None]):
        if event is not None and event.tied and (not following or following.tone != event.tone):
            message, allowed = "the tie leads to no note of the same pitch", "the same note again"
            yield Wrong(message, allowed, offset=text.index("~", event.offset))


MELODY = Read(
    read_melody,
    any_of(
        {"type": "string", "minLength": 1},
        {"type": "integer"},
        examples=["1:e b3 4:q 5:h", "5,:e | 1:q b3 4:e 5~ | 5:h r:q."],
    ),
)
