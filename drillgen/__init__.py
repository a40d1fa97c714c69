"""drillgen: from a short YAML drill to a practice pack for jazz bass.

    >>> import drillgen
    >>> print(drillgen.check("first-two-fives"))
    >>> drillgen.build("first-two-fives", "pack", tempo=60)

Everything heavy is imported when it is first needed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from drillgen.errors import DrillgenError
from drillgen.version import VERSION

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson, Source
    from drillgen.pack.build import Pack

__version__ = VERSION

__all__ = ["DrillgenError", "__version__", "build", "check", "load"]


def load(source: Source, **overrides: Any) -> Lesson:
    """Read a drill or lesson: a file, a preset's name, or a mapping of what would stand in a file.

    `overrides` replace the drill's own keys (`tempo=60`, `band={"bass": "walking"}`).
    Raises DrillgenError, which lists every problem with its place.
    """
    from drillgen.drill.lesson import load as read
    from drillgen.drill.reader import Override

    given = [Override.of(path, value) for path, value in overrides.items()]
    return read(str(source) if isinstance(source, Path) else source, given)


class ChartText(str):
    """A chart as text, which a notebook shows in its columns."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        from html import escape

        return f"<pre>{escape(self)}</pre>"


def check(source: Source, **overrides: Any) -> ChartText:
    """The chart of a drill or lesson as text, bar by bar."""
    from drillgen.drill.messages import DrillError
    from drillgen.pack.preflight import check_all

    found = check_all(load(source, **overrides))
    if found.problems:
        raise DrillError(list(found.problems))
    return ChartText("\n\n".join(found.texts))


def build(source: Source, out: str | Path, **overrides: Any) -> Pack:
    """Build the pack of a drill or lesson into the folder `out`; says what was made."""
    from drillgen.pack.build import build as make

    if not str(out):
        raise DrillgenError("there is no name for the pack's folder")
    return make(load(source, **overrides), Path(out))
