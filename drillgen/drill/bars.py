"""Meters, bar lines and how a bar is shared among its chords."""

from __future__ import annotations

import fractions
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from quicktions import Fraction

from drillgen.drill.fields import Read, any_of, mapping, matching, number, several
from drillgen.drill.messages import (
    RefusedError,
    Wrong,
    Wrongs,
    read_each,
    refuse,
    refuse_keys,
    show,
)


def exact(text: str) -> Fraction:
    """What a text says: "3/4", "133.3".  Raises ValueError and ZeroDivisionError.

    The standard library reads it: quicktions (1.18 to 1.24) writes its first character over a byte
    that the whole interpreter shares where a text has no other.
    """
    return Fraction(fractions.Fraction(text))


# Meters, and tempos that count their beats.
#
# In 6/8 and 12/8 the beat is the dotted quarter. Lengths are in quarter notes.


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter as written and as felt."""

    text: str  # "6/8"
    upper: int  # 6
    unit: int  # 8
    beats: int  # felt in a bar: 2 in 6/8
    beat: Fraction  # quarter notes: 3/2 in 6/8

    def __hash__(self) -> int:
        """Of its text alone, which is quick: what follows from a meter is kept in tables."""
        return hash(self.text)

    @property
    def bar(self) -> Fraction:
        """A bar in quarter notes."""
        return self.beats * self.beat

    def __str__(self) -> str:
        return self.text


def _meter(text: str) -> Meter:
    upper, unit = (int(part) for part in text.split("/"))
    if unit == 8:
        return Meter(text, upper, unit, upper // 3, Fraction(3, 2))
    return Meter(text, upper, unit, upper, Fraction(4, unit))


METERS = {text: _meter(text) for text in ("4/4", "3/4", "2/4", "5/4", "6/8", "12/8")}

SLOWEST, FASTEST = 30.0, 360.0  # beats a minute
DEFAULT_STEP = 4.0  # about as finely as a wind-up metronome is marked in the middle of its scale
MAX_TEMPOS = 32
_DECIMALS = 2  # finer than any metronome, coarse enough to be told apart in a file's name
_ALLOWED = f"{SLOWEST:g} to {FASTEST:g} quarter notes a minute (dotted quarters in 6/8 and 12/8)"
_KEYS = ("from", "to", "step")
_STEP = number(0.5, 100, "a pass; whether it climbs or falls follows from `from` and `to`")


@dataclass(frozen=True, slots=True)
class Tempo:
    """Beats a minute through one track: steady, or climbing (falling) a step on each pass."""

    start: float
    step: float = 0.0  # negative where it falls
    end: float = 0.0  # 0: as the start

    def at(self, pass_number: int) -> float:
        """The tempo of a pass, counted from 1 through the whole track."""
        reached = round(self.start + self.step * (pass_number - 1), _DECIMALS)
        if self.step > 0:
            return min(reached, self.end)
        return max(reached, self.end) if self.step < 0 else self.start

    def __str__(self) -> str:
        return f"{self.start:g}-{self.end:g}" if self.step else f"{self.start:g}"


def read_tempos(value: Any) -> tuple[Tempo, ...]:
    """Read a number, {from:, to:, step:}, a list of these, or '60, 72, 84': a track each."""
    if isinstance(value, str):
        return _several(_numbers(value))
    return _several(value) if isinstance(value, list | tuple) else (_tempo(value),)


def _numbers(text: str) -> list[Any]:
    words = [word.strip() for word in text.split(",")]
    if not all(re.fullmatch(_NUMBER_TEXT, word) for word in words):
        raise refuse(f"{show(text)} is no tempo", _ALLOWED, _meant(text))
    return [float(word) for word in words]


def _meant(text: str) -> str:
    """What a person may mean who writes "72 bpm" or "60-80"."""
    found = [match[0] for match in re.finditer(_NUMBER_TEXT, text)]
    beats = [number for number in found if SLOWEST <= float(number) <= FASTEST]
    if len(beats) != len(found) or len(beats) not in (1, 2):
        return ""
    climb = ['"{{from: {}, to: {}}}"'.format(*beats)] if len(beats) == 2 else []
    return " or ".join([*climb, f'"{", ".join(beats)}"'])


def _several(values: Any) -> tuple[Tempo, ...]:
    if not values or len(values) > MAX_TEMPOS:
        raise refuse(f"{len(values)} tempos", f"1 to {MAX_TEMPOS} tempos, a track each")
    tempos: list[Tempo] = []

    def another(value: Any) -> None:
        tempo = _tempo(value)
        if tempo in tempos:
            raise refuse(f"the tempo {tempo} stands here twice", "each tempo once")
        tempos.append(tempo)

    read_each(values, another)
    return tuple(tempos)


def _tempo(value: Any) -> Tempo:
    if isinstance(value, Tempo):
        return value
    if isinstance(value, dict):
        return _climb(value)
    steady = _beats(value)
    return Tempo(steady, 0.0, steady)


def _beats(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{show(value)} is no tempo", _ALLOWED)
    if not SLOWEST <= value <= FASTEST:
        raise refuse(f"{value:g} is too {'slow' if value < SLOWEST else 'fast'}", _ALLOWED)
    return round(float(value), _DECIMALS)


def _climb(data: dict[str, Any]) -> Tempo:
    ends: dict[str, float] = {}
    step = DEFAULT_STEP
    with Wrongs() as wrongs:
        with wrongs.at():
            refuse_keys(data, _KEYS, "tempo")
        for key in ("from", "to"):
            with wrongs.at(*([key] if key in data else [])):
                if key not in data:
                    raise refuse(f"{show(key)} is missing", "{from: 60, to: 100, step: 4}")
                ends[key] = _beats(data[key])
        with wrongs.at("step"):
            step = _STEP.function(data.get("step", DEFAULT_STEP))
    if ends["from"] == ends["to"]:
        return Tempo(ends["from"], 0.0, ends["to"])
    return Tempo(ends["from"], step if ends["to"] > ends["from"] else -step, ends["to"])


_NUMBER_TEXT = r"[0-9]{1,4}(\.[0-9]{1,4})?"
_BEATS = number(SLOWEST, FASTEST).schema
_CLIMB = mapping(
    {
        "from": {**_BEATS, "description": "the first pass"},
        "to": {**_BEATS, "description": "reached and kept"},
        "step": {
            **_STEP.schema,
            "default": 4,
            "description": "how much on each pass",
        },
    },
    "from",
    "to",
)
TEMPO = Read(
    read_tempos,
    any_of(
        _BEATS,
        several(any_of(_BEATS, _CLIMB), 1, MAX_TEMPOS),
        matching(rf"{_NUMBER_TEXT}(\s*,\s*{_NUMBER_TEXT})*"),
        _CLIMB,
        default=80,
        examples=[72, [60, 72, 84], {"from": 60, "to": 100, "step": 4}],
    ),
)


# Bars of a track by their numbers, as `check`, the sheet and the page count them: 1 is the first
# after the count-in.

_RANGE_ALLOWED = "bars as `drillgen check` counts them: 5-6, or one: 5"
_MOST_DIGITS = 5


@dataclass(frozen=True, slots=True)
class BarRange:
    """Neighbouring bars, both included."""

    first: int
    last: int

    @property
    def count(self) -> int:
        return self.last - self.first + 1

    def __str__(self) -> str:
        return f"{self.first}-{self.last}" if self.count > 1 else f"{self.first}"


def _read_bar_range(value: Any) -> BarRange:
    """Read '5-6', '5 to 6', 5."""
    if isinstance(value, BarRange):
        return value
    text = "" if isinstance(value, bool) else str(value).strip()
    number = rf"[0-9]{{1,{_MOST_DIGITS}}}"
    found = re.fullmatch(rf"({number})(?:\s*(?:-|–|to)\s*({number}))?", text)
    if not found or int(found[1]) < 1:
        raise refuse(f"{show(value)} names no bars", _RANGE_ALLOWED)
    first, last = int(found[1]), int(found[2] or found[1])
    if last < first:
        raise refuse(f"bar {last} comes before bar {first}", _RANGE_ALLOWED, f'"{last}-{first}"')
    return BarRange(first, last)


BAR_RANGE = Read(
    _read_bar_range,
    any_of(
        {"type": "integer", "minimum": 1},
        matching(r"[0-9]+(\s*(-|–|to)\s*[0-9]+)?"),
        examples=["5-6", 5],
    ),
)


# A text divided into bars: `|` divides them, and so does the end of a line; `||` is a double bar,
# and bars at the edges are tolerated.

_Bar = TypeVar("_Bar")
_TOKEN = re.compile(r"\|+|\n|[^\s|]+")


@dataclass(frozen=True, slots=True)
class BarWord:
    """A word of a text that is divided into bars, and where it stands."""

    text: str
    offset: int

    def wrong(
        self, message: str, allowed: str = "", nearest: str = "", into: int = 0
    ) -> RefusedError:
        return refuse(message, allowed, nearest, offset=self.offset + into)


def split_bars(text: str, allowed: str, wrongs: list[Wrong]) -> Iterator[list[BarWord]]:
    """The words of each bar.

    An empty bar within a line is noted in `wrongs`, with what may stand there instead.
    """
    words: list[BarWord] = []
    after_bar_line = False
    for found in _TOKEN.finditer(text):
        if found[0] != "\n" and not found[0].startswith("|"):
            words.append(BarWord(found[0], found.start()))
            after_bar_line = False
            continue
        if words:
            yield words
            words = []
        elif after_bar_line and found[0] != "\n":
            wrongs.append(Wrong("the bar is empty", allowed, offset=found.start()))
        after_bar_line = found[0] != "\n"
    if words:
        yield words


def repeated(words: Sequence[BarWord], before: _Bar | None, allowed: str) -> _Bar | None:
    """The bar before, where a % asks for it; `allowed` is what may stand in the first bar."""
    sign = next((word for word in words if word.text == "%"), None)
    if sign is None:
        return None
    if len(words) > 1:
        raise sign.wrong("% repeats a whole bar and stands alone in its own", "| % |")
    if before is None:
        raise sign.wrong("% has no bar before it", allowed)
    return before


# Signs that bars are divided or repeated with elsewhere, and what is written here instead.

_BETWEEN = re.compile(r"[,;>→–—-]+")
_COLON = ":"  # of |: and :|, the bar lines taken away
_SHOWN = 4  # chords of an example
_DIVIDED = "chords are divided by spaces and bars by |"
NO_REPEATS = "repeat signs are not known here"
REPEATS = "% for the bar before, passes for the whole, or named sections with form: A A B A"


def without_signs(
    words: Sequence[BarWord], is_chord: Callable[[str], bool]
) -> tuple[list[BarWord], list[Wrong]]:
    """The chords of a bar, and what to say of the signs between and around them."""
    chords: list[BarWord] = []
    signs: list[BarWord] = []
    for word in words:
        inside, found = _taken_apart(word, is_chord)
        chords += inside
        signs += found
    return chords, [_unknown(sign, chords) for sign in signs]


def _unknown(sign: BarWord, chords: Iterable[BarWord]) -> Wrong:
    if sign.text.startswith(_COLON):
        return Wrong(NO_REPEATS, REPEATS, offset=sign.offset)
    allowed = bars_of(word.text for word in chords)
    return Wrong(f"{_DIVIDED}, not by {show(sign.text)}", allowed, offset=sign.offset)


def _taken_apart(
    word: BarWord, is_chord: Callable[[str], bool]
) -> tuple[list[BarWord], list[BarWord]]:
    """The chords in a word, and the first sign that does not belong to them."""
    text = word.text.strip(_COLON)
    if text != word.text:
        into = len(word.text) - len(word.text.lstrip(_COLON))
        colon = BarWord(_COLON, word.offset + (0 if into else len(text)))
        return ([BarWord(text, word.offset + into)] if text else []), [colon]
    if _BETWEEN.fullmatch(text):
        return [], [word]
    parts = [part for part in _BETWEEN.split(text) if part]
    if len(parts) < 2 or is_chord(text) or not all(map(is_chord, parts)):
        return [word], []
    at = text.index(parts[0]) + len(parts[0])
    return [BarWord(part, word.offset) for part in parts], [BarWord(text[at], word.offset + at)]


def bars_of(chords: Iterable[str]) -> str:
    """For people: the chords, a bar each."""
    kept = [bare(chord) for chord in chords if chord != "/"]
    return " | ".join(kept[:_SHOWN]) + (" | …" if len(kept) > _SHOWN else "")


def bare(chord: str) -> str:
    """Without the comma that may follow it."""
    return chord.rstrip(",;")
