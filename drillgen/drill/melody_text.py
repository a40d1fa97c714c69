"""Reading melodies: '5,:e | 1:q b3 4:e 5~ | 5:h r:q.', as described in `melody.py`."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

from drillgen.drill.bars import split_bars
from drillgen.drill.fields import Read
from drillgen.drill.melody import MAX_BARS, Event, Melody, MelodyBar, Tone
from drillgen.drill.notation import LENGTH_ALLOWED, LENGTHS, length_of, scale_note
from drillgen.drill.problems import RefusedError, Wrong, refuse, show
from drillgen.theory.pitch import Pitch

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
            repeated = _repeated(words, before)
            if repeated is None:
                before, length = _bar(words, length, wrongs)
            yield repeated or before or MelodyBar(())
        except RefusedError as refused:
            wrongs += refused.wrongs


def _repeated(words: list[re.Match[str]], before: MelodyBar | None) -> MelodyBar | None:
    """The bar before, where a % asks for it."""
    sign = next((word for word in words if word[0] == "%"), None)
    if sign is None:
        return None
    if len(words) > 1:
        raise refuse(
            "% repeats a whole bar and stands alone in its own", "| % |", offset=sign.start()
        )
    if before is None:
        raise refuse("% has no bar before it", _ALLOWED, offset=sign.start())
    return before


def _bar(
    words: list[re.Match[str]], length: Fraction, wrongs: list[Wrong]
) -> tuple[MelodyBar, Fraction]:
    """A bar, and the length that goes on behind it."""
    events: list[Event] = []
    place = Fraction(0)
    for word in words:
        try:
            tone, new_length, tied = _event(word[0])
        except RefusedError as refused:
            wrongs += [
                Wrong(
                    wrong.message,
                    wrong.allowed,
                    wrong.nearest,
                    offset=word.start() + (wrong.offset or 0),
                )
                for wrong in refused.wrongs
            ]
            continue
        length = new_length or length
        events.append(Event(tone, place, length, tied, word.start()))
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
    for event in notes:
        if type(event.tone) is not type(notes[0].tone):
            yield Wrong(
                "degrees and notes by name are mixed",
                "one or the other throughout",
                offset=event.offset,
            )
            return


def _loose_ties(bars: Iterable[MelodyBar], text: str) -> Iterator[Wrong]:
    """Ties that lead to no note of the same pitch."""
    events = [event for bar in bars for event in bar.events]
    for event, following in pairwise([*events, None]):
        if event is not None and event.tied and (not following or following.tone != event.tone):
            yield Wrong(
                "the tie leads to no note of the same pitch",
                "the same note again",
                offset=text.index("~", event.offset),
            )


MELODY = Read(
    read_melody,
    {
        "anyOf": [{"type": "string", "minLength": 1}, {"type": "integer"}],
        "examples": ["1:e b3 4:q 5:h", "5,:e | 1:q b3 4:e 5~ | 5:h r:q."],
    },
)
