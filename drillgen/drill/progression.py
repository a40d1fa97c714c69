"""Progressions: bars of chord symbols or Roman numerals, as text.

`|` divides bars, and so does the end of a line; `||` is a double bar, and bars at the edges are
tolerated.  `%` repeats the bar before.  Chords in a bar share it evenly, or, where the bar has a
`/`, take a beat each plus one for each `/` that follows.  `N.C.` is silence of the harmony.

Shares must be playable: whole beats, an eighth note each, or half a bar of 3/4 each.  Three chords
in a bar of 4/4 are therefore refused until the beats are said (`Dm7 / G7 Cmaj7` is 2 + 1 + 1).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from quicktions import Fraction

from drillgen.drill.bars import (
    METERS,
    BarWord,
    Meter,
    bare,
    bars_of,
    repeated,
    split_bars,
    without_signs,
)
from drillgen.drill.fields import ReadWith, any_of, mapping, refuse_controls, several
from drillgen.drill.messages import (
    KeyPath,
    RefusedError,
    Wrong,
    Wrongs,
    listed,
    nearest,
    plain,
    quoted,
    read_each,
    refuse,
    refuse_keys,
    show,
)
from drillgen.theory.chord_types import SymbolError
from drillgen.theory.chords import Chord, Numeral, parse_chord, parse_numeral
from drillgen.theory.other_names import chord_elsewhere

Symbol = Numeral | Chord

_FILES = "chords; or alone, in the drill's own file, a lead sheet: .musicxml, .mxl or .xml"
_ENDING = re.compile(r"\w\.[a-z]\w{2,7}$", re.IGNORECASE)  # of a file's name
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
    ending: int = 0  # it stands in its section's first, second … ending; 0: in none


@dataclass(frozen=True, slots=True)
class Progression:
    """The bars of the form in the order in which they are played, and a coda's behind them."""

    bars: tuple[BarText, ...]
    text: str = ""  # as written, on one line; the form where there are sections
    coda: int = 0  # how many of the bars are a coda, which the last pass alone goes to …
    to_coda: int = 0  # … after so many bars of the form
    fine: bool = False  # it ends in the section that it has come back to, at the Fine

    def played(self, *, last: bool) -> tuple[int, ...]:
        """The indices of the bars that a pass plays, the last one in its key or another."""
        if not (last and self.coda):
            return tuple(range(self.form))
        return (*range(self.to_coda), *range(self.form, len(self.bars)))

    @property
    def form(self) -> int:
        """How many bars the form has."""
        return len(self.bars) - self.coda

    @property
    def symbols(self) -> tuple[Symbol, ...]:
        """Every chord in the order in which it is played, silence left out."""
        return tuple(slot.symbol for bar in self.bars for slot in bar.slots if slot.symbol)

    @property
    def is_numeral(self) -> bool:
        """Whether it is written in Roman numerals."""
        return any(isinstance(symbol, Numeral) for symbol in self.symbols)


@dataclass(frozen=True, slots=True)
class WrittenBar:
    """A bar, and where each of its symbols stood in the text."""

    bar: BarText
    offsets: tuple[int, ...] = ()


def read_bars(
    text: str, meter: Meter | None, before: WrittenBar | None = None
) -> tuple[WrittenBar, ...]:
    """The bars of one text; `before` is the bar that a % at its beginning repeats.

    Without a meter, 4/4 is taken and shares are not checked.  Raises RefusedError with everything
    that is wrong, by offset.
    """
    bars: list[WrittenBar] = []
    wrongs: list[Wrong] = []
    signs: dict[str, Wrong] = {}  # each said once, however often it stands there
    rows = list(split_bars(text, "% (as before), N.C. or a chord", wrongs))
    for found in rows:
        words, unknown = without_signs(found, _is_chord)
        for sign in unknown:
            signs.setdefault(sign.message, sign)
        try:
            played_in = None if unknown else meter
            before = repeated(words, before, "a chord") or _bar(words, played_in, len(rows) > 1)
        except RefusedError as refused:
            wrongs += refused.wrongs
            before = before or WrittenBar(BarText(()))
        bars.append(before)
    wrongs += signs.values()
    if not bars and not wrongs:
        raise refuse("there is no bar", _ALLOWED)
    if wrongs:
        raise RefusedError(wrongs)
    return tuple(bars)


def _bar(words: Sequence[BarWord], meter: Meter | None, divided: bool) -> WrittenBar:
    chords = _grouped(words)
    wrongs: list[Wrong] = []
    symbols = [_symbol(word, wrongs) for word, _ in chords]
    if wrongs:
        raise RefusedError(wrongs)
    lengths = _lengths(chords, meter, divided)
    _refuse_commas(words, divided)
    starts = [sum(lengths[:index], Fraction(0)) for index in range(len(lengths))]
    slots = (Slot(*row) for row in zip(symbols, starts, lengths, strict=True))
    return WrittenBar(BarText(tuple(slots)), tuple(word.offset for word, _ in chords))


def _refuse_commas(words: Sequence[BarWord], divided: bool) -> None:
    """Whoever divides bars by commas would get all of them in one."""
    after = next((word for word in words if word.text != bare(word.text)), None)
    if after is not None:
        texts = [bare(word.text) for word in words]
        ways = [] if divided else [f"bars divided by |, not by commas: {bars_of(texts)}"]
        ways.append(f"one bar without commas: {' '.join(texts)}")
        raise after.wrong("a comma stands after a chord", "; or ".join(ways))


def _grouped(words: Sequence[BarWord]) -> list[tuple[BarWord, int]]:
    """Each chord with the number of slashes that follow it."""
    chords: list[tuple[BarWord, int]] = []
    for word in words:
        if word.text != "/":
            chords.append((word, 0))
        elif chords:
            chords[-1] = (chords[-1][0], chords[-1][1] + 1)
        else:
            raise word.wrong("a / needs a chord before it in its bar", "Dm7 / / /")
    return chords


def _lengths(
    chords: Sequence[tuple[BarWord, int]], meter: Meter | None, divided: bool
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
                _instead(chords, meter, divided),
            )
        return [share] * len(chords)
    beats = sum(1 + slashes for _, slashes in chords)
    if checked and beats != meter.beats:
        raise first.wrong(f"the bar has {beats} beats", f"{meter.beats} in {meter}")
    return [(1 + slashes) * meter.beat for _, slashes in chords]


def _playable(share: Fraction, meter: Meter, chords: int) -> bool:
    whole_beats = share % meter.beat == 0
    return whole_beats or share == _EIGHTH or (meter.text == "3/4" and chords == 2)


def _instead(chords: Sequence[tuple[BarWord, int]], meter: Meter, divided: bool) -> str:
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


def _symbol(word: BarWord, wrongs: list[Wrong]) -> Symbol | None:
    try:
        return _parsed(word)
    except RefusedError as refused:
        wrongs += refused.wrongs
    except SymbolError as error:
        near = f'"{error.suggestion}"' if error.suggestion else ""
        message = error.message.partition("; nearest")[0]  # said once, like everywhere else
        wrongs += word.wrong(message, error.allowed, near, error.position).wrongs
    return None


def _parsed(word: BarWord) -> Symbol | None:
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
    allowed = _FILES if _ENDING.search(word.text) else _ALLOWED
    raise word.wrong(f"{show(word.text)} is no chord", allowed, _capitalised(word.text))


def _is_chord(text: str) -> bool:
    try:
        _parsed(BarWord(text, 0))
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


def labelled(
    bars: Sequence[WrittenBar], section: str, ending: Sequence[WrittenBar] = (), number: int = 0
) -> tuple[BarText, ...]:
    """The bars as those of a section, with one of its endings."""
    own = [(written, 0) for written in bars] + [(written, number) for written in ending]
    return tuple(
        replace(written.bar, section=section, starts_section=index == 0, ending=which)
        for index, (written, which) in enumerate(own)
    )


# The forms in which a progression may be written: text, a list of text, named sections.

MAX_BARS = 512
_FORM = "form"
_BARS, _ENDINGS, _TO_CODA, _FINE = "bars", "endings", "to_coda", "fine"
_CODA = "coda"
_MOST_ENDINGS = 8
_FORMS_ALLOWED = "text (ii7 | V7 | Imaj7 | %), a list of text, or named sections with form: A A B A"
Placed = tuple[KeyPath, WrittenBar]  # a bar, and under which key or index it was written


def read_progression(value: Any, data: Mapping[str, Any]) -> Progression:
    """Read a progression; `data` holds the drill's `meter`, where that could be read."""
    if isinstance(value, Progression):
        return value
    meter = data.get("meter")
    if isinstance(value, dict):
        return _from_sections(value, meter)
    bars = _bars(value, meter)
    _refuse_mixture(bars)
    lines = [value] if isinstance(value, str) else value
    text = " | ".join(_one_line(line) for line in lines)
    return _checked(labelled([bar for _, bar in bars], ""), text)


def _one_line(text: str) -> str:
    bars = (" ".join(bar.split()) for bar in re.split(r"[|\n]+", text))
    return " | ".join(bar for bar in bars if bar)


def _bars(value: Any, meter: Meter | None) -> list[Placed]:
    """The bars of a text, or of a list of text."""
    if isinstance(value, str):
        return [((), bar) for bar in read_bars(value, meter)]
    if not isinstance(value, list | tuple) or not value:
        raise refuse(f"{show(value)} is no progression", _FORMS_ALLOWED)
    bars: list[Placed] = []
    with Wrongs() as wrongs:
        for index, line in enumerate(value):
            with wrongs.at(index):
                if not isinstance(line, str):
                    raise refuse(f"{show(line)} is not a text", _FORMS_ALLOWED)
                before = bars[-1][1] if bars else None
                bars += [((index,), bar) for bar in read_bars(line, meter, before)]
    return bars


@dataclass(frozen=True, slots=True)
class _Section:
    """A section's bars, and its endings where it has some: the first time, the second …"""

    bars: list[Placed]
    endings: tuple[list[Placed], ...] = ()
    to_coda: int = 0  # the bars before the jump to the coda; 0: the section says nothing of it
    fine: int = 0  # the bars after which the form ends; 0: the section says nothing of it

    @property
    def length(self) -> int:
        """How many bars it has with its last ending."""
        return len([*self.bars, *(self.endings[-1] if self.endings else ())])

    @property
    def written(self) -> list[Placed]:
        return [*self.bars, *(bar for ending in self.endings for bar in ending)]

    def played(self, name: str, time: int) -> tuple[BarText, ...]:
        """Its bars the first time (0), the second …; after the last ending always with that."""
        common = [bar for _, bar in self.bars]
        if not self.endings:
            return labelled(common, name)
        number = min(time, len(self.endings) - 1)
        return labelled(common, name, [bar for _, bar in self.endings[number]], number + 1)


_SECTION_ALLOWED = 'text, a list of text, or {bars: Dm7 | G7, endings: ["Em7 | A7", "Cmaj7 | %"]}'
_CODA_ALLOWED = "{A: {bars: ii7 | V7 | I6 | VI7, to_coda: 2}, coda: I6 | %}"
_FINE_ALLOWED = "{A: {bars: ii7 | V7 | I6 | VI7, fine: 3}, B: IV7 | V7, form: A B A}"


def _section(value: Any, meter: Meter | None) -> _Section:
    """A section as text or list of text, or as a mapping of its bars and its endings, and of where
    it is left for the coda or ends the form."""
    if not isinstance(value, dict):
        return _Section(_bars(value, meter))
    refuse_keys(value, (_BARS, _ENDINGS, _TO_CODA, _FINE), "the section")
    if _BARS not in value or value.keys() == {_BARS}:
        missing = _ENDINGS if _BARS in value else _BARS
        raise refuse(f"the section has no {missing}", _SECTION_ALLOWED)
    with Wrongs() as wrongs:
        bars: list[Placed] = []
        with wrongs.at(_BARS):
            bars = [((_BARS, *path), bar) for path, bar in _bars(value[_BARS], meter)]
        endings: tuple[list[Placed], ...] = ()
        if _ENDINGS in value:
            with wrongs.at(_ENDINGS):
                endings = _endings(value[_ENDINGS], meter, bars[-1][1] if bars else None)
    found = _Section(bars, endings)
    left, end = (_place(value, key, found.length) for key in (_TO_CODA, _FINE))
    return replace(found, to_coda=left, fine=end)


def _place(value: Mapping[str, Any], key: str, length: int) -> int:
    """After how many of its bars a section is left; 0 where it does not say."""
    left = value.get(key, 0)
    if key in value and (type(left) is not int or not 1 <= left <= length):
        what = "before the coda" if key == _TO_CODA else "of the form"
        message = f"{show(left)} names none of the section's bars"
        raise refuse(message, f"the last one {what}: 1 to {length}", at=(key,))
    return int(left)


def _endings(
    value: Any, meter: Meter | None, before: WrittenBar | None
) -> tuple[list[Placed], ...]:
    if not isinstance(value, list | tuple) or not 2 <= len(value) <= _MOST_ENDINGS:
        raise refuse(f"{show(value)} are no endings", f"a list of 2 to {_MOST_ENDINGS} texts")

    def read(numbered: tuple[int, Any]) -> list[Placed]:
        index, text = numbered
        if not isinstance(text, str):
            raise refuse(f"{show(text)} is not a text", _SECTION_ALLOWED)
        return [((_ENDINGS, index), bar) for bar in read_bars(text, meter, before)]

    return tuple(read_each(enumerate(value), read))


def _from_sections(data: dict[str, Any], meter: Meter | None) -> Progression:
    sections: dict[str, _Section] = {}
    order: list[str] = []
    with Wrongs() as wrongs:
        for name, value in data.items():
            if name != _FORM:
                with wrongs.at(name):
                    _check_name(name)
                with wrongs.at(name):
                    sections[name] = _section(value, meter)
        with wrongs.at(*([_FORM] if _FORM in data else [])):
            order = list(_order(data, [name for name in data if name != _FORM]))
    _refuse_mixture(
        [((name, *path), bar) for name, each in sections.items() for path, bar in each.written]
    )
    coda = next(filter(is_coda, sections), "")
    for name, section in sections.items():
        _refuse_unheard(name, section, 1 if name == coda else order.count(name))
    leaves = _leaves(sections, order, coda)
    fine = _fine(sections, order, coda)
    bars: list[BarText] = []
    left = 0
    for place, name in enumerate(order):
        left = len(bars) + sections[name].to_coda if place == leaves else left
        bars += sections[name].played(name, order[:place].count(name))
        if fine and place == len(order) - 1:
            del bars[len(bars) - sections[name].length + fine :]
        if coda in order[place + 1 : place + 2] and left:
            del bars[left:]
    if coda in ("", *order):
        return replace(_checked(tuple(bars), " ".join(order)), fine=fine > 0)
    own = sections[coda].played(coda, 0)
    both, text = (*bars, *own), " ".join((*order, coda))
    return replace(_checked(both, text), coda=len(own), to_coda=left or len(bars))


def is_coda(section: str) -> bool:
    """Whether a section is the coda, by its name."""
    return section.casefold() == _CODA


def _leaves(sections: Mapping[str, _Section], order: Sequence[str], coda: str) -> int:
    """Which section of the form is left for the coda, by its place; -1: it is played to its end.

    Raises RefusedError where the coda cannot be reached so.
    """
    leaving = [name for name, section in sections.items() if section.to_coda]
    if coda in order[:-1]:
        raise refuse(f"{show(coda)} comes last in the form", "A B A coda", at=(_FORM,))
    before = order[-2] if coda in order and len(order) > 1 else ""
    for number, name in enumerate(leaving):
        message = ""
        if not coda:
            message = "there is no coda to go to"
        elif number:
            message = f"{show(leaving[0])} is left for the coda already"
        elif name == coda or name not in order:
            message = f"the form has no {show(name)} that the coda follows"
        elif before and name != before:
            message = f"the form goes to the coda from {show(before)}"
        if message:
            raise refuse(message, _CODA_ALLOWED, at=(name, _TO_CODA))
    return max((place for place, name in enumerate(order) if name in leaving), default=-1)


def _fine(sections: Mapping[str, _Section], order: Sequence[str], coda: str) -> int:
    """After how many bars of its last section the form ends at the Fine; 0: that is played whole.

    Raises RefusedError where no Fine can be reached so.
    """
    ends = [name for name, section in sections.items() if section.fine]
    for name in ends:
        message = ""
        if coda:
            message = "a form ends with its coda or at the Fine"
        elif order[-1] != name or order.count(name) < 2 or name != ends[0]:
            message = f"the form does not come back to {show(name)} at its end"
        elif order[-2] == name:
            message = f"nothing lies between {show(name)} and the Fine in it"
        if message:
            raise refuse(message, _FINE_ALLOWED, at=(name, _FINE))
    return sections[ends[0]].fine if ends else 0


def _refuse_unheard(name: str, section: _Section, times: int) -> None:
    """Raises RefusedError where a section has endings that are never reached."""
    count = len(section.endings)
    if count > max(times, 1) or (count and not times):
        message = f"{show(name)} has {count} endings and is played {times} times in the form"
        allowed = "an ending for each time at the most: form: A A B A"
        raise refuse(message, allowed, at=(name, _ENDINGS))


def _check_name(name: str) -> None:
    """Raises RefusedError where a section's name cannot be printed, or nobody could read it."""
    refuse_controls(name, "the section's name", key=True)
    if not plain(name) or quoted(name) != name:
        message = f"{show(name)} is no name of a section"
        raise RefusedError([Wrong(message, "a name on one line: A, B", key=True)])


def _order(data: dict[str, Any], names: list[str]) -> Iterator[str]:
    """The sections in playing order: as `form` says, else as they are written."""
    if not names:
        raise refuse("there is no section", _FORMS_ALLOWED)
    form = data.get(_FORM, [name for name in names if not is_coda(name)] or names)
    words: list[tuple[str, KeyPath, int | None]]  # each with its place in a list or a text
    if isinstance(form, str):
        words = [(found[0], (), found.start()) for found in re.finditer(r"[^\s,|]+", form)]
        if not words:
            raise refuse("the form names no section", f"names of sections: {listed(names)}")
    elif isinstance(form, list | tuple) and form:
        words = [(str(word), (index,), None) for index, word in enumerate(form)]
    else:
        raise refuse(f"{show(form)} is no form", "names of sections: A A B A")
    for word, at, offset in words:
        if word not in names:
            message = f"there is no section {show(word)}"
            raise refuse(message, listed(names), nearest(word, names), at, offset)
        yield word


def _refuse_mixture(bars: list[Placed]) -> None:
    """Raises RefusedError where symbols and numerals are mixed, at the first that differs."""
    first: bool | None = None
    for path, written in bars:
        for slot, offset in zip(written.bar.slots, written.offsets, strict=True):
            if slot.symbol is None:
                continue
            is_chord = isinstance(slot.symbol, Chord)
            first = is_chord if first is None else first
            if is_chord != first:
                message = "chord symbols and Roman numerals are mixed"
                raise refuse(message, "one or the other throughout", at=path, offset=offset)


def _checked(bars: tuple[BarText, ...], text: str) -> Progression:
    if len(bars) > MAX_BARS:
        raise refuse(f"the form has {len(bars)} bars", f"up to {MAX_BARS}")
    return Progression(bars, text)


_NAME = {"type": ["string", "number"]}
_TEXT = {"type": "string", "minLength": 1}
_LINES = any_of(_TEXT, several(_TEXT))
_WITH_ENDINGS = {
    **mapping(
        {
            _BARS: {**_LINES, "description": "what comes before the endings, the same each time"},
            _ENDINGS: {
                **several(_TEXT, 2, _MOST_ENDINGS),
                "description": "its end the first time, the second …; then always the last one",
            },
            _TO_CODA: {
                "type": "integer",
                "minimum": 1,
                "description": "after how many of its bars the coda follows, the last time",
            },
            _FINE: {
                "type": "integer",
                "minimum": 1,
                "description": "after how many of its bars the form ends that has come back to it",
            },
        },
        _BARS,
    ),
    "minProperties": 2,
}
_ORDER = any_of(_TEXT, several(_NAME), description="the sections in playing order: A A B A")
_SECTIONS = {
    "type": "object",
    "minProperties": 1,
    "properties": {_FORM: _ORDER},
    "additionalProperties": any_of(*_LINES["anyOf"], _WITH_ENDINGS),
}
PROGRESSION = ReadWith(
    read_progression,
    any_of(*_LINES["anyOf"], _SECTIONS, examples=["ii7 | V7 | Imaj7 | %", "Dm7 / / G7 | Cmaj7"]),
)
