"""The examples of `docs/lines.md`: a drill in YAML, and under it the line that the tool writes.

`python -m tests.lines.examples` writes the lines anew.
"""

from __future__ import annotations

import re
from pathlib import Path

from ruamel.yaml import YAML

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.reader import drill_of
from drillgen.listing import in_words

PAGE = Path(__file__).parents[2] / "docs" / "lines.md"
_EXAMPLE = re.compile(r"(```yaml\n(?P<drill>.*?)```\n\n```text\n)(?P<line>.*?)(```\n)", re.DOTALL)


def examples() -> list[tuple[str, str]]:
    """Each drill of the page that a line stands under, and that line."""
    found = _EXAMPLE.finditer(PAGE.read_text("utf-8"))
    return [(each["drill"], each["line"]) for each in found]


def line_of(text: str) -> str:
    """What the tool writes for a drill, a bar between two strokes, a pass a line."""
    drill = drill_of(YAML(typ="safe", pure=True).load(text))
    return in_words(arrange(charts(drill)[0])) + "\n"


def main() -> None:
    text = PAGE.read_text("utf-8")
    PAGE.write_text(
        _EXAMPLE.sub(lambda found: found[1] + line_of(found["drill"]) + found[4], text), "utf-8"
    )


if __name__ == "__main__":
    main()
