"""Whether a text is valid MusicXML 4.0.

By the W3C's schema where its files are: in the folder that DRILLGEN_MUSICXML_XSD names, or beside
the repository.  Elsewhere by the `musicxml` package (PyPI), which refuses what the schema refuses:
unknown elements, wrong order, values and attributes, and what is missing.
"""

from __future__ import annotations

import os
import re
from functools import cache
from pathlib import Path
from typing import Any

from lxml import etree

SCHEMA = Path(
    os.environ.get("DRILLGEN_MUSICXML_XSD", Path(__file__).parents[3] / "shared" / "musicxml-4.0")
)
# What that package cannot read, though the schema allows it (1.6): attributes called `name`, and a
# metronome mark that relates two groups of notes.
_UNREADABLE = (
    (r"<miscellaneous>.*?</miscellaneous>", ""),
    (r"<direction-type>\s*<metronome>\s*<metronome-note>.*?</direction-type>", ""),
    (r'(<lyric [^>]*?) name="[^"]*"', r"\1"),
)


class _Local(etree.Resolver):
    """The schema's own imports, from beside it."""

    def resolve(self, url: str, public: str, context: Any) -> Any:
        return self.resolve_filename(str(SCHEMA / Path(url).name), context)


@cache
def _schema() -> etree.XMLSchema:
    parser = etree.XMLParser()
    parser.resolvers.add(_Local())
    return etree.XMLSchema(etree.parse(str(SCHEMA / "musicxml.xsd"), parser))


def assert_valid(text: str, folder: Path) -> None:
    """Raises where a text is no MusicXML 4.0; `folder` is for files in passing."""
    if SCHEMA.is_dir():
        _schema().assertValid(etree.fromstring(text.encode()))
    else:
        assert_accepted_by_package(text, folder)


def assert_accepted_by_package(text: str, folder: Path) -> None:
    """Raises where the `musicxml` package refuses what it can read of a text."""
    from musicxml.parser.parser import parse_musicxml

    for pattern, instead in _UNREADABLE:
        text = re.sub(pattern, instead, text, flags=re.DOTALL)
    path = folder / "checked.musicxml"
    path.write_text(text, "utf-8")
    parse_musicxml(path).to_string()
