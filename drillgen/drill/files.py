"""Files and presets: found by their names, and read.

A preset is a file that comes along: in the package when installed, else beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISDIR, S_ISREG

from drillgen.drill.messages import DrillError, Problem, RefusedError, nearest, refuse, show
from drillgen.drill.yaml_source import MAX_CHARACTERS, DrillSource, SourceItem, parse

ENDINGS = (".yaml", ".yml")
SCORES = (".musicxml", ".mxl", ".xml")
PLAYED = (".mid", ".midi")


def names_music(value: object) -> bool:
    """Whether what a drill says is the name of a score, or of something played."""
    return isinstance(value, str) and value.strip().lower().endswith((*SCORES, *PLAYED))


def read_source(path: Path, name: str | None = None, asked_by: Path | None = None) -> DrillSource:
    """The text of a file, which another may have asked for by name.  Raises RefusedError where
    there is none to be had."""
    data = read_data(path, 4 * MAX_CHARACTERS, asked_by)
    if len(data) > 4 * MAX_CHARACTERS:
        raise refuse("the file is too long for a drill", f"up to {MAX_CHARACTERS} characters")
    return DrillSource(name or str(path), _text(data))


_read: ContextVar[dict[Path, int] | None] = ContextVar("_read", default=None)


@contextmanager
def files_read() -> Iterator[dict[Path, int]]:
    """Every file that is asked for meanwhile, also one that is not there, and when it had been
    changed."""
    files: dict[Path, int] = {}
    before = _read.set(files)
    try:
        yield files
    finally:
        _read.reset(before)


def changed_at(path: Path) -> int:
    """Nanoseconds since 1970; 0 while an editor replaces it."""
    try:
        return path.stat().st_mtime_ns
    except (OSError, ValueError):
        return 0


def read_data(path: Path, most: int, asked_by: Path | None = None) -> bytes:
    """The bytes of a file, one more than `most` where it has more.  Raises RefusedError where there
    is no such file, or none that ends."""
    if (files := _read.get()) is not None:
        files.setdefault(path, changed_at(path))
    try:
        state = path.stat().st_mode
        regular = S_ISREG(state) or S_ISDIR(state)
        data = _head(path, most) if regular else b""
    except IsADirectoryError:
        raise refuse("this is a folder", "a file in it") from None
    except FileNotFoundError:
        raise refuse("there is no such file", "", neighbour(path, asked_by)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a name of a file"
        raise refuse(f"the file cannot be read ({str(reason).lower()})") from None
    if not regular:
        raise refuse("this is a pipe or a device", "a file")  # which might never end
    return data


def _head(path: Path, most: int) -> bytes:
    """What a file may have, and one byte more."""
    with path.open("rb") as file:
        return file.read(most + 1)


def _text(data: bytes) -> str:
    if b"\0" in data:
        raise refuse("the file is not text", "text in UTF-8")
    try:
        return with_unix_lines(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise refuse(f"the file is not in UTF-8 (line {line})", "text in UTF-8") from None


def with_unix_lines(text: str) -> str:
    """Without a byte order mark, and with line ends of one sort."""
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


def neighbour(path: Path, but: Path | None = None) -> str:
    """A file of its kind beside it with nearly that name, but not the one that asks for it."""
    alike = ENDINGS if path.suffix in ("", *ENDINGS) else (path.suffix,)
    try:
        files = sorted(each for each in path.parent.iterdir() if each.suffix in alike)
        others = [each for each in files if but is None or not each.samefile(but)]
    except OSError:
        return ""
    names = {show(each.stem): show(each.name) for each in others}
    wanted = path.stem if path.suffix in alike else path.name
    return names.get(show(wanted)) or names.get(nearest(wanted, (e.stem for e in others)), "")


def file_error(name: str, refused: RefusedError) -> DrillError:
    """The same about a file named on the command line, where there is no line to cite."""
    return DrillError(
        Problem(name, 0, 0, "", name, wrong.message, wrong.allowed, wrong.nearest)
        for wrong in refused.wrongs
    )


# The drills and lessons that come along: in the package when installed, else beside it.

SCHEMA = "drill.schema.json"  # beside the presets, for editors
LESSONS = "lessons"  # the group of whole courses
_PACKAGE = Path(__file__).parent.parent
_FOLDERS = (_PACKAGE / "presets", _PACKAGE.parent / "presets")


@dataclass(frozen=True, slots=True)
class Preset:
    """A preset: its file's stem is its name, its folder the group."""

    name: str
    group: str  # "two-fives"; "" in no group
    path: Path

    @property
    def title(self) -> str:
        item = self._written.get("title")
        return " ".join(str(item.value).split()) if item else self.name

    @property
    def drills(self) -> int:
        """How many drills it has: one, or a lesson's."""
        return len(self._written["drills"].value) if self.is_lesson else 1

    @property
    def is_lesson(self) -> bool:
        return self.group == LESSONS

    @property
    def _written(self) -> dict[str, SourceItem]:
        written: dict[str, SourceItem] = parse(read_source(self.path)).value
        return written


def presets_folder() -> Path:
    """Where the presets are."""
    return next((folder for folder in _FOLDERS if folder.is_dir()), _FOLDERS[0])


def list_presets() -> tuple[Preset, ...]:
    """Every preset, by group and name."""
    folder = presets_folder()
    presets = (
        Preset(path.stem, path.parent.relative_to(folder).as_posix().removeprefix("."), path)
        for path in folder.glob("**/*.yaml")
    )
    return tuple(sorted(presets, key=lambda preset: (preset.group, preset.name)))


def is_in_group(name: str) -> bool:
    """Whether this is a preset named with its group: `lessons/ear-first`."""
    return any(name == f"{preset.group}/{preset.name}" for preset in list_presets())


def preset_path(name: str, others: Sequence[str] = ()) -> Path:
    """The file of a preset, with its group or without; `others`: what else might be named.

    Raises DrillError with the nearest name where there is none.
    """
    presets = _presets()
    found = presets.get(name.rpartition("/")[2] if is_in_group(name) else name)
    if found is None:
        plain = name.rpartition("/")[2] if name.endswith(ENDINGS) else name
        raise _nowhere(name, _any(others), nearest(plain, presets), others)
    return found


def _any(others: Sequence[str]) -> str:
    return _either(["a preset (drillgen presets list)", *(f"a {each}" for each in others)])


def _either(words: Sequence[str]) -> str:
    return " or ".join(filter(None, [", ".join(words[:-1]), words[-1]]))


def _presets() -> dict[str, Path]:
    return {preset.name: preset.path for preset in list_presets()}


def _nowhere(name: str, allowed: str, near: str, others: Sequence[str] = ("file",)) -> DrillError:
    message = f"there is no {_either(['preset', *others])} of this name"
    return DrillError([Problem(name or '""', 0, 0, "", name, message, allowed, near)])


def copied(source: Path, target: Path) -> None:
    """Copy a preset, and the schema that its first line names to beside it.  Raises OSError."""
    text = source.read_text("utf-8")
    schema = presets_folder() / SCHEMA
    beside = target.with_name(SCHEMA)
    if schema.is_file() and not beside.exists():
        beside.write_bytes(schema.read_bytes())
    target.write_text(re.sub(rf"(\$schema=)\S*{re.escape(SCHEMA)}", rf"\1{SCHEMA}", text), "utf-8")


def is_file_name(source: str | Path) -> bool:
    """Whether a name means a file: by its ending, or by a folder in it that is no preset's."""
    if isinstance(source, Path) or source.endswith(ENDINGS):
        return True
    in_a_folder = "/" in source or "\\" in source
    return in_a_folder and (Path(source).exists() or not is_in_group(source))


def path_of(source: str | Path, others: Sequence[str] = ("file",)) -> Path:
    """Where a drill or lesson lies that is named by its file or as a preset; `others`: what else
    might be named.  Raises DrillError."""
    path, name = Path(source), str(source)
    if is_file_name(source):
        if name == path.name and path.stem in _presets() and not path.exists():
            raise _nowhere(name, "a file, or a preset's name without ending", show(path.stem))
        return path
    try:
        return preset_path(name, others)
    except DrillError:
        if name and path.exists():
            return path
        if beside := neighbour(path):
            raise _nowhere(name, _any(others), beside, others) from None
        raise
