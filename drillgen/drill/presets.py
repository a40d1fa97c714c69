"""The drills that come along: in the package when installed, beside it in the repository."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.problems import DrillError, Problem, nearest
from drillgen.drill.reader import read_source
from drillgen.drill.source import parse

SCHEMA = "drill.schema.json"  # beside the presets, for editors
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
        return self._text("title") or self.name

    @property
    def note(self) -> str:
        return self._text("note")

    def _text(self, key: str) -> str:
        item = parse(read_source(self.path)).value.get(key)
        return " ".join(str(item.value).split()) if item else ""


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


def preset_path(name: str) -> Path:
    """The file of a preset.  Raises DrillError with the nearest name where there is none."""
    presets = {preset.name: preset.path for preset in list_presets()}
    if name not in presets:
        raise DrillError(
            [
                Problem(
                    name,
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
