"""Progressions: bars of chord symbols or Roman numerals, as text.

`|` divides bars, and so does the end of a line; `||` is a double bar, and bars at the edges are
tolerated.  `%` repeats the bar before.  Chords in a bar share it evenly, or, where the bar has a
`/`, take a beat each plus one for each `/` that follows.  `N.C.` is silence of the harmony.

Shares must be playable: whole beats, an eighth note each, or half a bar of 3/4 each.  Three chords
in a bar of 4/4 are therefore refused until the beats are said (`Dm7 / G7 Cmaj7` is 2 + 1 + 1).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from drillgen.drill.bars import split_bars
from drillgen.drill.meter import METERS, Meter
from drillgen.drill.problems import RefusedError, Wrong, refuse, show
from drillgen.theory.chords import Chord, ChordError, parse_chord
from drillgen.theory.numerals import Numeral, NumeralError, parse_numeral

Symbol = Numeral | Chord

_CHORD = re.compile(r"[A-G]")
_NUMERAL = re.compile(r"[#b♯♭]*[IViv]|sub")
_NO_CHORD = frozenset(("N.C.", "NC", "N.C", "n.c."))
_EIGHTH = Fraction(1, 2)
_ALLOWED = "a chord (Dm7), a Roman numeral (ii7), N.C., % or /"


@dataclass(frozen=True, slots=True)
class Slot:
    """A chord in a bar; `symbol` is None for N.C."""

    symbol: Symbol | None
    start: Fraction  # quarter notes from the bar's start
    duration: Fraction  # quarter notes


@dataclass(frozen=True, slots=True)
class BarText:
    """A bar of the form."""

    slots: tuple[Slot, ...]
    section: str = ""  # the name of its section; "" where sections have none
    starts_section: bool = False


@dataclass(frozen=True, slots=True)
class Progression:
    """All bars in the order in which they are played."""

    bars: tuple[BarText, ...]
    text: str = ""  # as written, on one line; the form where there are sections

    @property
    def is_numeral(self) -> bool:
        """Whether it is written in Roman numerals."""
        symbols = (slot.symbol for bar in self.bars for slot in bar.slots)
        return any(isinstance(symbol, Numeral) for symbol in symbols)


@dataclass(frozen=True, slots=True)
class _Word:
    text: str
    offset: int

    def wrong(
        self, message: str, allowed: str = "", nearest: str = "", into: int = 0
    ) -> RefusedError:
        return refuse(message, allowed, nearest, offset=self.offset + into)


@dataclass(frozen=True, slots=True)
class Written:
    """A bar, and where each of its symbols stood in the text."""

    bar: BarText
    offsets: tuple[int, ...] = ()


def read_bars(text: str, meter: Meter | None, before: Written | None = None) -> tuple[Written, ...]:
    """The bars of one text; `before` is the bar that a % at its beginning repeats.

    Without a meter, 4/4 is taken and shares are not checked.  Raises RefusedError with everything
    that is wrong, by offset.
    """
    bars: list[Written] = []
    wrongs: list[Wrong] = []
    for found in split_bars(text, "% (as before), N.C. or a chord", wrongs):
        words = [_Word(word[0], word.start()) for word in found]
        try:
            before = _bar(words, before, meter)
        except RefusedError as refused:
            wrongs += refused.wrongs
            before = before or Written(BarText(()))
        bars.append(before)
    if not bars and not wrongs:
        raise refuse("there is no bar", _ALLOWED)
    if wrongs:
        raise RefusedError(wrongs)
    return tuple(bars)


def _bar(words: Sequence[_Word], before: Written | None, meter: Meter | None) -> Written:
    repeat = next((word for word in words if word.text == "%"), None)
    if repeat is not None:
        if len(words) > 1:
            raise repeat.wrong("% repeats a whole bar and stands alone in its own", "| % |")
        if before is None:
            raise repeat.wrong("% has no bar before it", "a chord")
        return before
    chords = _grouped(words)
    wrongs: list[Wrong] = []
    symbols = [_symbol(word, wrongs) for word, _ in chords]
    if wrongs:
        raise RefusedError(wrongs)
    lengths = _lengths(chords, meter)
    starts = [sum(lengths[:index], Fraction(0)) for index in range(len(lengths))]
    slots = (Slot(*row) for row in zip(symbols, starts, lengths, strict=True))
    return Written(BarText(tuple(slots)), tuple(word.offset for word, _ in chords))


def _grouped(words: Sequence[_Word]) -> list[tuple[_Word, int]]:
    """Each chord with the number of slashes that follow it."""
    chords: list[tuple[_Word, int]] = []
    for word in words:
        if word.text != "/":
            chords.append((word, 0))
        elif chords:
            chords[-1] = (chords[-1][0], chords[-1][1] + 1)
        else:
            raise word.wrong("a / needs a chord before it in its bar", "Dm7 / / /")
    return chords


def _lengths(chords: Sequence[tuple[_Word, int]], meter: Meter | None) -> list[Fraction]:
    """How long each chord lasts, in quarter notes."""
    meter, checked = meter or METERS["4/4"], meter is not None
    first = chords[0][0]
    if not any(slashes for _, slashes in chords):
        share = meter.bar / len(chords)
        if checked and not _playable(share, meter, len(chords)):
            raise first.wrong(
                f"{len(chords)} chords cannot share a bar of {meter} evenly",
                f"beats said with /, {meter.beats} in all: {_example(chords, meter)}",
            )
        return [share] * len(chords)
    beats = sum(1 + slashes for _, slashes in chords)
    if checked and beats != meter.beats:
        raise first.wrong(f"the bar has {beats} beats", f"{meter.beats} in {meter}")
    return [(1 + slashes) * meter.beat for _, slashes in chords]


def _playable(share: Fraction, meter: Meter, chords: int) -> bool:
    whole_beats = share % meter.beat == 0
    return whole_beats or share == _EIGHTH or (meter.text == "3/4" and chords == 2)


def _example(chords: Sequence[tuple[_Word, int]], meter: Meter) -> str:
    """The same chords, the first ones longer."""
    spare, count = divmod(meter.beats, len(chords))
    if spare == 0:
        return "fewer chords"
    words = [
        word.text + " /" * (spare - 1 + (1 if index < count else 0))
        for index, (word, _) in enumerate(chords)
    ]
    return " ".join(words)


def _symbol(word: _Word, wrongs: list[Wrong]) -> Symbol | None:
    try:
        return _parsed(word)
    except RefusedError as refused:
        wrongs += refused.wrongs
    except (ChordError, NumeralError) as error:
        near = f'"{error.suggestion}"' if error.suggestion else ""
        message = error.message.partition("; nearest")[0]  # said once, like everywhere else
        wrongs += word.wrong(message, error.allowed, near, error.position).wrongs
    return None


def _parsed(word: _Word) -> Symbol | None:
    if word.text in _NO_CHORD:
        return None
    if len(word.text) > 1 and word.text.endswith("/"):
        raise word.wrong(
            f"{show(word.text)} ends with a /",
            "a / for another beat stands apart",
            f'"{word.text.rstrip("/")} /"',
            len(word.text) - 1,
        )
    if _CHORD.match(word.text):
        return parse_chord(word.text)
    if _NUMERAL.match(word.text):
        return parse_numeral(word.text)
    raise word.wrong(f"{show(word.text)} is no chord", _ALLOWED, _capitalised(word.text))


def _capitalised(text: str) -> str:
    guess = text[0].upper() + text[1:]
    try:
        parse_chord(guess)
    except ValueError:
        return ""
    return f'"{guess}"'


def labelled(bars: Sequence[Written], section: str) -> tuple[BarText, ...]:
    """The bars as those of a section."""
    return tuple(
        replace(written.bar, section=section, starts_section=index == 0)
        for index, written in enumerate(bars)
    )
