"""What a person is told: problems with their place, the nearest match, words said elsewhere."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from drillgen.errors import DrillgenError
from drillgen.theory import other_names as letters

# Signs that no text may have, and those that are not seen.
#
# Sheets are XML: XML 1.0 (5th edition), section 2.2, allows no control signs but tabs and line
# ends, and asks to leave out those from U+007F to U+009F. Terminals obey both sorts.

_CONTROLS = "\x00-\x08\x0e-\x1b\x7f-\x84\x86-\x9f"
_SPACES = "\x0b\x0c\x1c-\x1f"  # controls that Python takes for white space
_HALVES = "\ud800-\udfff"  # of signs: YAML's escapes may name one without the other
FORBIDDEN = re.compile(f"[{_CONTROLS}{_SPACES}\ufffe\uffff]")
# Controls, signs that turn the text around them, halves of signs: a name must read as it is.
_UNSEEN = re.compile(
    f"[{_CONTROLS}\u061c\u200b\u200e\u200f\u202a-\u202e\u2060-\u2069{_HALVES}\ufeff]"
)
_OBEYED = re.compile(f"[{_CONTROLS}{_SPACES}{_HALVES}\t\n\r\x85\u2028\u2029]")


def plain(text: str) -> str:
    """A text as it can be shown anywhere: on one line, composed, without unseen signs."""
    return " ".join(_UNSEEN.sub("", unicodedata.normalize("NFC", text)).split())


def quoted(text: str) -> str:
    """A text that may be wrong, for a message: on one line, a � for each sign that a terminal
    would obey, and for half a sign."""
    return _OBEYED.sub("\ufffd", text)


# What is wrong with a drill, said so that a person can mend it.
#
# Readers of single values raise `RefusedError` with paths and offsets relative to what they were
# given; `reader.py` turns these into `Problem`s with file, line and column, and raises all of
# them in one `DrillError`.

KeyPath = tuple[str | int, ...]
_Read = TypeVar("_Read")
_LONGEST_SHOWN = 40  # characters of a value quoted in a message
_LONGEST_WORD = 100  # characters looked at to guess what was meant
_LONGEST_LINE = 120  # characters of the file's line shown under a message
_MOST_SAID = 25  # problems told at once; of more, how many


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that is wrong with a value."""

    message: str
    allowed: str = ""
    nearest: str = ""
    at: KeyPath = ()  # where inside the value: keys and indices
    offset: int | None = None  # where inside the text: characters from its start
    key: bool = False  # the last key itself is wrong, not its value
    missing: str = ""  # the key that is missing; a misspelt one is not said to be missing, too


class RefusedError(ValueError):
    """A value cannot be read; says everything that is wrong with it."""

    def __init__(self, wrongs: Sequence[Wrong]) -> None:
        super().__init__("; ".join(wrong.message for wrong in wrongs))
        self.wrongs = tuple(wrongs)


def refuse(
    message: str, allowed: str = "", nearest: str = "", at: KeyPath = (), offset: int | None = None
) -> RefusedError:
    """One wrong thing, ready to be raised."""
    return RefusedError([Wrong(message, allowed, nearest, at, offset)])


def refuse_keys(data: Iterable[Any], known: Iterable[str], owner: str) -> None:
    """Raises RefusedError if a mapping has keys that are not known."""
    known = tuple(known)
    wrongs = [
        Wrong(
            f"{show(key)} is not a key of {owner}",
            listed(known),
            nearest(key, known),
            (key,),
            key=True,
        )
        for key in data
        if key not in known
    ]
    if wrongs:
        raise RefusedError(wrongs)


@contextmanager
def under(*path: str | int) -> Iterator[None]:
    """What is refused inside the block lies under `path`."""
    try:
        yield
    except RefusedError as refused:
        raise RefusedError(
            [replace(wrong, at=(*path, *wrong.at)) for wrong in refused.wrongs]
        ) from None


class Wrongs:
    """Collects what is wrong in several places, to say it all at once when its block ends."""

    def __init__(self) -> None:
        self._found: list[Wrong] = []

    def __enter__(self) -> Wrongs:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None and self._found:
            raise RefusedError(self._found)

    @contextmanager
    def at(self, *path: str | int) -> Iterator[None]:
        """What is refused inside the block is noted as lying under `path`."""
        try:
            with under(*path):
                yield
        except RefusedError as refused:
            self._found += refused.wrongs


def read_each(
    values: Iterable[Any], read: Callable[[Any], _Read], *, at: bool = True
) -> list[_Read]:
    """Every value read, or all that is wrong with them, each `at` its index."""
    found: list[_Read] = []
    with Wrongs() as wrongs:
        for index, value in enumerate(values):
            with wrongs.at(*([index] if at else [])):
                found.append(read(value))
    return found


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file or an option.  Lines and columns count from 1; 0 is none."""

    file: str  # as the person named it; the option itself where an option is wrong
    line: int
    column: int
    path: str  # "band.bass", "tempo[2]"; "" is the whole document
    value: Any
    message: str
    allowed: str = ""
    nearest: str = ""
    source_line: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        about = f" {self.path}:" if self.path else ""
        allowed = f"; allowed: {self.allowed}" if self.allowed else ""
        nearest = f"; did you mean {self.nearest}?" if self.nearest else ""
        said = f"{place}:{about} {self.message}{allowed}{nearest}"
        return f"{quoted(said)}{self._pointer()}"

    def _pointer(self) -> str:
        """The line of the file with a caret under the place."""
        if not self.line or not self.source_line.strip():
            return ""
        first = max(0, self.column - _LONGEST_LINE // 2) if self.column > _LONGEST_LINE else 0
        shown = self.source_line[first : first + _LONGEST_LINE].replace("\t", " ")
        return f"\n    {quoted(shown.rstrip())}\n    {' ' * (self.column - 1 - first)}^"


class DrillError(DrillgenError):
    """A drill, lesson or preset cannot be read; `problems` says why, in order of place."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        unique = dict.fromkeys(problems)
        self.problems = tuple(
            sorted(unique, key=lambda found: (found.file, found.line, found.column))
        )
        said = [str(problem) for problem in self.problems[:_MOST_SAID]]
        if more := len(self.problems) - len(said):
            said.append(f"… and {more} more")
        super().__init__("\n".join(said))


def nearest(word: Any, known: Iterable[str]) -> str:
    """The closest of the known words in quotes, or "" where none is close."""
    found = nearest_word(word, known)
    return f'"{found}"' if found else ""


def nearest_word(word: Any, known: Iterable[str]) -> str:
    """The same without quotes."""
    by_fold = {name.casefold(): name for name in known}
    asked = str(word).casefold()[:_LONGEST_WORD]
    found = letters.nearest(asked, by_fold)
    found = found or next((each for each in asked.split() if each in by_fold), "")
    return by_fold[found] if found else ""


def listed(words: Iterable[Any]) -> str:
    """For people: 'a, b, c'."""
    return ", ".join(str(word) for word in words)


def show(value: Any) -> str:
    """A value as it might stand in the file: texts in quotes, long ones cut."""
    if isinstance(value, str):
        text = " ".join(value.split())
        cut = text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"
        return f'"{cut}"'
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list | tuple):
        return "a list"
    return str(value)[:_LONGEST_SHOWN]


def dotted(path: KeyPath) -> str:
    """'band.bass', 'tempo[2]': a path as people write it; items of lists count from 1."""
    text = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in path)
    return text.removeprefix(".")


# Words that people write for keys of the language, and the keys that they mean.

# Words of the trade, without spaces and signs (common practice).  Several keys where it depends on
# where the word stands: the first that is known there is meant.
_MEANT: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("bpm", "speed", "mm", "metronomemark"), ("tempo",)),
    **dict.fromkeys(("keysignature", "tonality", "tonic"), ("key",)),
    **dict.fromkeys(("timesignature", "time", "signature", "metre"), ("meter",)),
    **dict.fromkeys(("chords", "changes", "harmony", "chordchanges", "form"), ("progression",)),
    **dict.fromkeys(("style", "groove", "genre", "rhythm"), ("feel",)),
    **dict.fromkeys(("keys", "cycle", "transpose", "transposition"), ("key_cycle",)),
    **dict.fromkeys(("repeats", "repeat", "choruses", "times", "loops"), ("passes",)),
    **dict.fromkeys(("name", "heading"), ("title",)),
    **dict.fromkeys(("description", "comment", "comments", "notes", "text"), ("note",)),
    **dict.fromkeys(("count", "intro", "leadin"), ("count_in",)),
    **dict.fromkeys(("melody", "solo", "exercise", "pattern"), ("line", "notes")),
    **dict.fromkeys(("rests", "breaks", "callandresponse", "callresponse"), ("gaps",)),
    **dict.fromkeys(("drums", "bass", "comping", "click", "players", "instruments"), ("band",)),
    **dict.fromkeys(("metronome",), ("click", "band")),
    **dict.fromkeys(("listen", "question"), ("call",)),
    **dict.fromkeys(("answer", "echo", "reply", "play"), ("response",)),
    **dict.fromkeys(("chordinstrument", "accompaniment", "keyboard"), ("comping", "band")),
    **dict.fromkeys(("fingerings", "tab", "clef", "notation", "score", "print"), ("sheet",)),
    **dict.fromkeys(("firstposition", "position", "handposition"), ("positions",)),
    **dict.fromkeys(("outro", "end", "coda"), ("ending",)),
    **dict.fromkeys(("random", "randomseed"), ("seed",)),
    **dict.fromkeys(("volume", "loudness", "gain"), ("level",)),
    **dict.fromkeys(("panning", "balance"), ("pan",)),
    **dict.fromkeys(("dictation", "instrument", "range", "register"), ("line",)),
    **dict.fromkeys(("fingering", "tablature", "alsofor", "readers"), ("sheet",)),
    **dict.fromkeys(("call", "response"), ("gaps",)),
    **dict.fromkeys(("spoken", "voice"), ("band",)),
    **dict.fromkeys(("drill",), ("drills",)),
    **dict.fromkeys(("type", "style"), ("kind", "feel")),
    **dict.fromkeys(("presets", "exercises", "songs", "tracks"), ("drills",)),
}


def nearest_key(word: Any, known: Iterable[str]) -> str:
    """The key that a word means, in quotes: what is often written for it, else what is spelled
    most like it; "" where there is neither."""
    known = tuple(known)
    plain = "".join(char for char in str(word).casefold() if char.isalnum())
    meant = next((key for key in _MEANT.get(plain, ()) if key in known), "")
    return f'"{meant}"' if meant else nearest(word, known)
