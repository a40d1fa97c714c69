"""The drills and lessons that come along: in the package when installed, else beside it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.messages import DrillError, Problem, nearest
from drillgen.drill.reader import read_source
from drillgen.drill.yaml_source import SourceItem, parse

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


def preset_path(name: str) -> Path:
    """The file of a preset, with its group or without.

    Raises DrillError with the nearest name where there is none.
    """
    presets = {preset.name: preset.path for preset in list_presets()}
    if is_in_group(name):
        name = name.rpartition("/")[2]
    if name not in presets:
        raise DrillError(
            [
                Problem(
                    name or '""',
                    0,
                    0,
                    "",
                    name,
                    "there is no preset or file of this name",
                    "a preset (drillgen presets list) or a file",
                    nearest(name, presets),
                )
            ]
        )
    return presets[name]


def copied(source: Path, target: Path) -> None:
    """Copy a preset, and the schema that its first line names to beside it.  Raises OSError."""
    text = source.read_text("utf-8")
    schema = presets_folder() / SCHEMA
    beside = target.with_name(SCHEMA)
    if schema.is_file() and not beside.exists():
        beside.write_bytes(schema.read_bytes())
    target.write_text(re.sub(rf"(\$schema=)\S*{re.escape(SCHEMA)}", rf"\1{SCHEMA}", text), "utf-8")
