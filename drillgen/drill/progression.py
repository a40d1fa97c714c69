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
from drillgen.drill.dividing import Word, bare, bars_of, without_signs
from drillgen.drill.meter import METERS, Meter
from drillgen.drill.problems import RefusedError, Wrong, refuse, show
from drillgen.theory.chords import Chord, parse_chord
from drillgen.theory.elsewhere import chord_elsewhere
from drillgen.theory.numerals import Numeral, parse_numeral
from drillgen.theory.symbol_error import SymbolError

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
    signs: dict[str, Wrong] = {}  # each said once, however often it stands there
    rows = list(split_bars(text, "% (as before), N.C. or a chord", wrongs))
    for found in rows:
        words, unknown = without_signs([Word(word[0], word.start()) for word in found], _is_chord)
        for sign in unknown:
            signs.setdefault(sign.message, sign)
        try:
            before = _bar(words, before, None if unknown else meter, divided=len(rows) > 1)
        except RefusedError as refused:
            wrongs += refused.wrongs
            before = before or Written(BarText(()))
        bars.append(before)
    wrongs += signs.values()
    if not bars and not wrongs:
        raise refuse("there is no bar", _ALLOWED)
    if wrongs:
        raise RefusedError(wrongs)
    return tuple(bars)


def _bar(
    words: Sequence[Word], before: Written | None, meter: Meter | None, *, divided: bool
) -> Written:
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
    lengths = _lengths(chords, meter, divided=divided)
    starts = [sum(lengths[:index], Fraction(0)) for index in range(len(lengths))]
    slots = (Slot(*row) for row in zip(symbols, starts, lengths, strict=True))
    return Written(BarText(tuple(slots)), tuple(word.offset for word, _ in chords))


def _grouped(words: Sequence[Word]) -> list[tuple[Word, int]]:
    """Each chord with the number of slashes that follow it."""
    chords: list[tuple[Word, int]] = []
    for word in words:
        if word.text != "/":
            chords.append((word, 0))
        elif chords:
            chords[-1] = (chords[-1][0], chords[-1][1] + 1)
        else:
            raise word.wrong("a / needs a chord before it in its bar", "Dm7 / / /")
    return chords


def _lengths(
    chords: Sequence[tuple[Word, int]], meter: Meter | None, *, divided: bool
) -> list[Fraction]:
    """How long each chord lasts, in quarter notes."""
    if not chords:
        raise RefusedError([])  # nothing but signs that are not known: said by itself
    meter, checked = meter or METERS["4/4"], meter is not None
    first = chords[0][0]
    if not any(slashes for _, slashes in chords):
        share = meter.bar / len(chords)
        if checked and not _playable(share, meter, len(chords)):
            raise first.wrong(
                f"{len(chords)} chords cannot share a bar of {meter} evenly",
                _instead(chords, meter, divided=divided),
            )
        return [share] * len(chords)
    beats = sum(1 + slashes for _, slashes in chords)
    if checked and beats != meter.beats:
        raise first.wrong(f"the bar has {beats} beats", f"{meter.beats} in {meter}")
    return [(1 + slashes) * meter.beat for _, slashes in chords]


def _playable(share: Fraction, meter: Meter, chords: int) -> bool:
    whole_beats = share % meter.beat == 0
    return whole_beats or share == _EIGHTH or (meter.text == "3/4" and chords == 2)


def _instead(chords: Sequence[tuple[Word, int]], meter: Meter, *, divided: bool) -> str:
    """How the same chords may be written: a bar each where no bar line stands, or by beats."""
    words = [bare(word.text) for word, _ in chords]
    commas = ", not by commas" if any(word.text.endswith(",") for word, _ in chords) else ""
    ways = [] if divided else [f"bars divided by |{commas}: {bars_of(words)}"]
    spare, count = divmod(meter.beats, len(words))
    if spare:
        longer = (spare - (index >= count) for index in range(len(words)))
        said = " ".join(word + " /" * more for word, more in zip(words, longer, strict=True))
        ways.append(f"beats said with /, {meter.beats} in all: {said}")
    return "; or ".join(ways) or "fewer chords"


def _symbol(word: Word, wrongs: list[Wrong]) -> Symbol | None:
    try:
        return _parsed(word)
    except RefusedError as refused:
        wrongs += refused.wrongs
    except SymbolError as error:
        near = f'"{error.suggestion}"' if error.suggestion else ""
        message = error.message.partition("; nearest")[0]  # said once, like everywhere else
        wrongs += word.wrong(message, error.allowed, near, error.position).wrongs
    return None


def _parsed(word: Word) -> Symbol | None:
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
    if chord_elsewhere(word.text):
        return parse_chord(word.text)  # says what it is called here
    raise word.wrong(f"{show(word.text)} is no chord", _ALLOWED, _capitalised(word.text))


def _is_chord(text: str) -> bool:
    try:
        _parsed(Word(text, 0))
    except ValueError:
        return False
    return True


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
