"""Strangers' packs: links, names, pickles, pipes and devices, huge and deep files.  Nothing outside
is touched, nothing is run, nothing hangs."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

from tests.drill.test_fuzz import OBEYED
from tests.fuzz.commands import command
from tests.pack.building import contents, lesson
from tests.pack.conftest import embedded_soundfont

NAME = "packs"
_NAMES = [
    "docs/thesis.odt",
    "../papers/thesis.odt",
    "/etc/hostname",
    "C:/x",
    "..\\papers\\x",
    "x\0y",
    "One/../../papers/thesis.odt",
    "page/../../papers/thesis.odt",
    ".git/config",
    "x" * 300,
    "nul",
    "a/b/c/d/e/f/g/h/i/j",
    "",
    ".",
    "..",
    "One",
    "manifest.json",
    "\x1b[2J",
    "Ω" * 200,
]
_VALUES: list[Any] = [None, True, -1, 1e308, 10**300, "", [], {}, [[[]]], {"a": {"b": "../c"}}]
_PLACES = [".making", ".making-0123456789abcdef", ".part-0123456789abcdef", ".placing", ".building",
           "One", "page", "One/stems", "docs", "index.html", "NOTES.txt", "manifest.json",
           "One/sheet.pdf", "Listen.m3u8", "page/page.js", "page.html"]  # fmt: skip


class Trap:
    """Unpickled, it makes a folder."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return os.mkdir, (str(self._path),)


class Ground:
    """A pack with everything, a plan of two drills, and papers beside it."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.env = {
            "DRILLGEN_SOUNDFONT": str(embedded_soundfont()),
            "DRILLGEN_CACHE": str(top / "cache"),
        }
        one = lesson(top / "one.yaml", {"One": "tempo: 360"})
        self.plans = [one, lesson(top / "two.yaml", {"Two": "tempo: 350"})]
        done = command("build", one, "-o", top / "whole", "--single-file", env=self.env)
        assert done.code == 0, done.said

    def case(self, chance: Random) -> None:
        """Build into a stranger's pack."""
        for name in ("sent", "papers", "sprung"):
            shutil.rmtree(self.top / name, ignore_errors=True)
        for path in self.top.glob("*.zip"):
            path.unlink()
        (self.top / "papers").mkdir()
        (self.top / "papers" / "thesis.odt").write_text("mine")
        pack = self.top / "sent"
        shutil.copytree(self.top / "whole", pack)
        done = [_mischief(pack, chance) for _ in range(chance.randint(1, 4))]
        options = chance.sample(
            ["--zip", "--no-page", "--no-sheets", "--stems", "--jobs=2", "--jobs=1"],
            chance.randint(0, 4),
        )
        plan = chance.choice(self.plans)
        before = contents(self.top / "papers")
        ended = command("build", plan, "-o", pack, "--quiet", *options, env=self.env)
        what = (done, options, plan.name, ended.code, ended.said[-400:])
        assert ended.in_order(), what
        assert not OBEYED.search(ended.said.replace("\r", "")), what  # a stranger's signs
        assert contents(self.top / "papers") == before, what
        assert not (self.top / "sprung").exists(), what
        for path in self.top.glob("*.zip"):
            with zipfile.ZipFile(path) as packed:
                names = packed.namelist()
                assert not [name for name in names if "thesis" in name or ".." in name], what
                assert not [n for n in names if packed.read(n) == b"mine"], what
        if ended.code == 0:
            left = [path for path in pack.iterdir() if path.name.startswith((".making", ".part-"))]
            assert not left, what


def _mischief(pack: Path, chance: Random) -> str:
    try:
        return chance.choice(_MISCHIEF)(pack, chance)
    except OSError as error:  # another one is in its way
        return str(error)


def _link(pack: Path, chance: Random) -> str:
    place = pack / chance.choice(_PLACES)
    _free(place)
    aims = [
        "../papers",
        "../../papers/thesis.odt",
        "../papers/thesis.odt",
        "/dev/zero",
        ".",
        "none",
    ]
    place.symlink_to(aim := chance.choice(aims))
    return f"{place.name} leads to {aim}"


def _odd(pack: Path, chance: Random) -> str:
    place = pack / chance.choice(_PLACES)
    _free(place)
    how = chance.choice(["fifo", "folder", "huge", "empty", "junk"])
    if how == "fifo":
        os.mkfifo(place)
    elif how == "folder":
        (place / "deep").mkdir(parents=True)
        (place / "deep" / "x").write_bytes(b"x")
    else:
        content = {"huge": b"", "empty": b"", "junk": chance.randbytes(300)}[how]
        place.write_bytes(content)
        if how == "huge":
            os.truncate(place, 1 << 33)
    return f"{place.name} is {how}"


def _free(place: Path) -> None:
    place.parent.mkdir(exist_ok=True)
    if place.is_dir() and not place.is_symlink():
        shutil.rmtree(place)
    place.unlink(missing_ok=True)


def _pickle(pack: Path, chance: Random) -> str:
    folder = pack / chance.choice([".making", ".making-0123456789abcdef", "One", "page"])
    try:
        (folder / "track 1").mkdir(parents=True, exist_ok=True)
        for name in ("track.pickle", "value", "x.npy"):
            (folder / "track 1" / name).write_bytes(pickle.dumps(Trap(pack.parent / "sprung")))
    except OSError:
        return "no pickle"
    return f"pickles in {folder.name}"


def _manifest(pack: Path, chance: Random) -> str:
    path = pack / "manifest.json"
    if not path.is_file() or path.stat().st_size > 1 << 24:
        return "no manifest"  # another mischief has made a pipe of it, or a huge file
    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return "no manifest"
    places = [(holder, key) for holder, key in _fields(document)]
    holder, key = chance.choice(places)
    value = chance.choice([*_NAMES, *_VALUES])
    holder[key] = value
    if isinstance(holder, dict) and chance.random() < 0.3 and isinstance(value, str):
        holder[value] = holder.pop(key)
    (pack / "manifest.json").write_text(json.dumps(document), "utf-8")
    return f"{key} is {value!r}"


def _fields(value: Any) -> list[tuple[Any, Any]]:
    found = []
    if isinstance(value, dict | list):
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            found += [(value, key), *_fields(value[key])]
    return found


def _log(pack: Path, chance: Random) -> str:
    first = "drillgen puts these files into the pack or takes them out of it:"
    names = [chance.choice(_NAMES) for _ in range(9)]
    lines = "".join(f"\n{name}\t4 {chance.choice(['-', '00000000', ''])}\n" for name in names)
    try:
        (pack / ".placing").write_text(f"{first}\n{lines}", "utf-8")
    except OSError:
        return "no log"
    return f"the log has {names}"


def _edit(pack: Path, chance: Random) -> str:
    path = chance.choice(sorted(each for each in pack.rglob("*") if each.is_file()))
    if path.stat().st_size < 1 << 24:
        content = bytearray(path.read_bytes() or b"x")
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
        path.write_bytes(content)
    return f"{path.name} is edited"


_MISCHIEF: list[Callable[[Path, Random], str]] = [_link, _odd, _pickle, _manifest, _log, _edit]
