"""Every format is known wherever a person meets formats."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import pytest

from drillgen.audio.formats import FORMATS, writers_of
from drillgen.pack.files import zip_pack
from drillgen.serve.server import MEDIA_TYPES
from tests.audio.conftest import Piece
from tests.conftest import Run

BUILDING = Path(__file__).parents[2] / "docs" / "building.md"


def test_the_docs_list_every_format() -> None:
    """The table of formats has a row a format with its other names and its ending."""
    rows = re.findall(r"^\| (`\w+`.*?) \| `(\.\w+)` \| .+ \|$", BUILDING.read_text("utf-8"), re.M)
    told = [(re.findall(r"`(\w+)`", names), suffix) for names, suffix in rows]
    wanted = [([row.name, *row.other_names], row.suffix) for row in FORMATS.values()]
    assert told == wanted, "docs/building.md: the table of formats has other rows than FORMATS"


def test_help_names_every_format(drillgen: Run) -> None:
    """`drillgen build --help` names every format with its other names."""
    words = re.findall(r"\w+", drillgen("build", "--help").stdout.partition("--format")[2])
    for row in FORMATS.values():
        assert {row.name, *row.other_names} <= set(words[:40])


def test_no_two_of_a_name() -> None:
    """No name, ending or other name means two formats."""
    names = [name for row in FORMATS.values() for name in (row.name, *row.other_names)]
    assert len(set(names)) == len(names)
    assert len({row.suffix for row in FORMATS.values()}) == len(FORMATS)


def test_each_is_served_as_sound() -> None:
    """`serve` sends every format as audio (RFC 2046, 4.3), not as bytes without a meaning."""
    assert {MEDIA_TYPES[row.suffix].partition("/")[0] for row in FORMATS.values()} == {"audio"}


@pytest.mark.parametrize("name", FORMATS)
def test_a_zip_packs_what_can_be_packed(piece: Piece, tmp_path: Path, name: str) -> None:
    """A zip deflates a file that is as large as its samples, and stores one that is smaller: it is
    compressed already."""
    folder = tmp_path / "pack"
    folder.mkdir()
    sound = piece.files[name].read_bytes()
    (folder / piece.files[name].name).write_bytes(sound)
    names = [piece.files[name].name]
    with zipfile.ZipFile(zip_pack(folder, tmp_path / "pack.zip", names)) as packed:
        [entry] = packed.infolist()
    smaller = len(sound) < piece.samples.nbytes
    assert entry.compress_type == (zipfile.ZIP_STORED if smaller else zipfile.ZIP_DEFLATED)


def test_what_writes_a_format_is_told() -> None:
    """A pack is made anew where another version of an encoder would write it: each compressed
    format names its package, and WAV, which we write ourselves, none."""
    assert writers_of(["wav"]) == ()
    assert all(writers_of([row.name]) for row in FORMATS.values() if row.packed)
