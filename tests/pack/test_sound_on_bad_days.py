"""Soundfonts and caches that are damaged, changed or silent: nothing wrong is kept, and nothing is
silent without a word."""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

import pytest

from drillgen.sound.soundfont_file import chunks
from tests.conftest import Run, run_command
from tests.pack.building import QUIET, contents, lesson, manifest, started, until
from tests.pack.conftest import embedded_soundfont

KIND = (
    "progression: ii7 | V7 | Imaj7 | %, key_cycle: C, gaps: none,"
    " line: roots, band: {drums: sticks, comping: piano}"
)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    return lesson(tmp_path / "term.yaml", {"One": "tempo: 240"}, KIND)


@pytest.fixture
def font(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A soundfont of the person's own, in use, and a cache that is empty."""
    path = tmp_path / "mine.sf2"
    shutil.copyfile(embedded_soundfont(), path)
    monkeypatch.setenv("DRILLGEN_SOUNDFONT", str(path))
    monkeypatch.setenv("DRILLGEN_CACHE", str(tmp_path / "cache"))
    return path


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """What `plan` is with a soundfont that is well, made once: the pack, and the cache then."""
    top = tmp_path_factory.mktemp("right")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRILLGEN_SOUNDFONT", str(top / "mine.sf2"))
        patch.setenv("DRILLGEN_CACHE", str(top / "cache"))
        shutil.copyfile(embedded_soundfont(), top / "mine.sf2")
        plan = lesson(top / "term.yaml", {"One": "tempo: 240"}, KIND)
        assert run_command("build", plan, "-o", top / "pack", *QUIET).returncode == 0
    return top / "pack", top / "cache"


def entries(tmp_path: Path) -> list[Path]:
    return sorted((tmp_path / "cache" / "notes").glob("*/*"))


def sound(pack: Path) -> dict[str, bytes]:
    return {name: data for name, data in contents(pack).items() if name.endswith(".wav")}


SPOILS = ["flip", "cut", "empty", "foreign", "folder", "pipe"]


def spoil(path: Path, how: str, chance: random.Random) -> None:
    content = bytearray(path.read_bytes())
    if how == "flip":  # one bit of the head and the facts, which are some hundred bytes
        content[chance.randrange(min(len(content), 200))] ^= 1 << chance.randrange(8)
        path.write_bytes(content)
    elif how in ("cut", "empty", "foreign"):
        part = content[: chance.randrange(len(content))] if how == "cut" else b""
        path.write_bytes(b'{"ends": true}' * 9 if how == "foreign" else part)
    else:
        path.unlink()
        path.mkdir() if how == "folder" else os.mkfifo(path)


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
@pytest.mark.parametrize("how", SPOILS)
def test_a_damaged_cache(
    plan: Path, font: Path, right: tuple[Path, Path], tmp_path: Path, drillgen: Run, how: str
) -> None:
    """Whatever has become of every entry of the cache, a build makes the same sound; where an entry
    was damaged, it is told that the cache may be deleted."""
    first, cache = right
    shutil.copytree(cache, tmp_path / "cache")
    chance = random.Random(5)
    for path in entries(tmp_path):
        spoil(path, how, chance)
    done = drillgen("build", plan, "-o", tmp_path / "second", *QUIET)
    assert done.returncode == 0, done.stderr
    assert sound(tmp_path / "second") == sound(first)
    if how not in ("folder", "pipe"):
        assert f"{tmp_path / 'cache' / 'notes'} may be deleted at any time" in done.stderr
        done = drillgen("build", plan, "-o", tmp_path / "third", *QUIET)
        assert done.returncode == 0 and not done.stderr
    assert contents(tmp_path / "second") == contents(first)


@pytest.mark.parametrize(
    ("how", "jobs"),
    [
        ("replaced", "2"),
        ("truncated", "1"),
        ("overwritten", "1"),
        ("overwritten", "2"),
        ("removed", "2"),
    ],
)
def test_a_soundfont_that_changes_during_a_build(
    plan: Path,
    font: Path,
    right: tuple[Path, Path],
    tmp_path: Path,
    drillgen: Run,
    how: str,
    jobs: str,
) -> None:
    """A soundfont that is replaced, truncated, written over or removed while notes are being made
    is named in one line, and no crash; no note of it lies in the cache for the right one."""
    whole = font.read_bytes()
    other = silent(whole)
    command = ("--jobs", jobs, *QUIET)
    with started("build", plan, "-o", tmp_path / "out", *command) as process:
        until(lambda: entries(tmp_path) or process.poll() is not None)
        if how == "replaced":
            (tmp_path / "other.sf2").write_bytes(other)
            (tmp_path / "other.sf2").replace(font)
        elif how == "truncated":
            os.truncate(font, 100_000)
        elif how == "removed":
            font.unlink()
        else:
            font.write_bytes(other)
        said = process.communicate()[1]
    assert process.returncode in (0, 2), said
    assert "Traceback" not in said
    if process.returncode:
        assert "mine.sf2" in said
    font.write_bytes(whole)
    assert drillgen("build", plan, "-o", tmp_path / "out", *QUIET).returncode == 0
    assert sound(tmp_path / "out") == sound(right[0])


def parts(content: bytes, path: Path) -> dict[bytes, tuple[int, int]]:
    """Where smpl and shdr begin and end (SoundFont 2.04, sections 4, 6 and 7.10)."""
    found = {}
    path.write_bytes(content)
    with path.open("rb") as file:
        for kind, start, end in chunks(file, 12, len(content), path):
            if kind == b"LIST":
                inner = chunks(file, start + 4, end, path)
                found |= {name: (first, last) for name, first, last in inner}
    return found


def silent(content: bytes) -> bytes:
    """With samples that are all 0."""
    start = content.index(b"smpl") + 8
    length = int.from_bytes(content[start - 4 : start], "little")
    return content[:start] + bytes(length) + content[start + length :]


def undecodable(content: bytes, path: Path) -> bytes:
    """With samples that are said to be Vorbis and are not: bit 4 of a sample's type, as SF3 has it
    (FluidSynth's FLUID_SAMPLETYPE_OGG_VORBIS, 0x10)."""
    first, last = parts(content, path)[b"shdr"]
    changed = bytearray(content)
    for at in range(first, last - 46, 46):
        changed[at + 44] |= 0x10
    return bytes(changed)


@pytest.mark.parametrize("kind", ["silent", "undecodable"])
def test_a_soundfont_of_which_nothing_is_heard(
    plan: Path, font: Path, tmp_path: Path, drillgen: Run, kind: str
) -> None:
    """No pack of silence: that nothing is heard is an error that names the soundfont."""
    whole = font.read_bytes()
    font.write_bytes(silent(whole) if kind == "silent" else undecodable(whole, font))
    done = drillgen("build", plan, "-o", tmp_path / "out", *QUIET)
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr and "mine.sf2" in done.stderr
    assert not list((tmp_path / "out").glob("*/*.wav"))


def test_a_part_of_which_nothing_is_heard(
    plan: Path, font: Path, tmp_path: Path, drillgen: Run
) -> None:
    """Where one instrument alone is silent, the pack is made, and command and manifest say so."""
    whole = font.read_bytes()
    first, last = parts(whole, font)[b"shdr"]
    changed = bytearray(whole)
    start = whole.index(b"smpl") + 8
    for at in range(first, last - 46, 46):  # the piano's samples (SoundFont 2.04, 7.10)
        if b"piano" in whole[at : at + 20].lower():
            begin, end = (int.from_bytes(whole[at + n : at + n + 4], "little") for n in (20, 24))
            changed[start + 2 * begin : start + 2 * end] = bytes(2 * (end - begin))
    font.write_bytes(changed)
    done = drillgen("build", plan, "-o", tmp_path / "out", *QUIET)
    assert done.returncode == 0, done.stderr
    assert "of the comping part is heard" in done.stderr
    assert "of the comping part is heard" in manifest(tmp_path / "out")["tracks"][0]["warnings"][0]


@pytest.mark.parametrize("letters", ["𐤀𐤁", "ꙮ漢字"])
def test_letters_that_no_font_has(tmp_path: Path, drillgen: Run, letters: str) -> None:
    """A title in letters that no font on the machine has is said to be set in boxes (here the
    system's fonts are out of reach); one that they have is not."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: 360"})
    plan.write_text(plan.read_text("utf-8").replace("One", f"Song {letters}"), "utf-8")
    options = ("--no-page", "--quiet")
    done = drillgen("build", plan, "-o", tmp_path / "out", *options)
    assert done.returncode == 0, done.stderr
    from pypdf import PdfReader

    fonts = {
        str(each["/BaseFont"])
        for page in PdfReader(next((tmp_path / "out").rglob("sheet.pdf"))).pages
        for each in page["/Resources"]["/Font"].values()  # type: ignore[index, union-attr]
    }
    own = all("DrillgenSheet" in name or "Libertinus" in name for name in fonts)
    assert ("shows empty boxes" in done.stderr) or not own, (fonts, done.stderr)
    plan.write_text(
        plan.read_text("utf-8").replace(f"Song {letters}", "Étude Œuvre Ψ Ж ♭"), "utf-8"
    )
    done = drillgen("build", plan, "-o", tmp_path / "plain", *options)
    assert done.returncode == 0 and "empty boxes" not in done.stderr
