"""Caches with damaged entries: the same sound all the same."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from random import Random

from tests.fuzz.commands import command
from tests.pack.building import contents, lesson
from tests.pack.conftest import embedded_soundfont

NAME = "caches"
_BARE = ("--no-sheets", "--no-page", "--quiet")


class Ground:
    """A pack, and the cache that it has left."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.plan = lesson(top / "one.yaml", {"One": "tempo: 360"})
        self.env = {
            "DRILLGEN_SOUNDFONT": str(embedded_soundfont()),
            "DRILLGEN_CACHE": str(top / "cache"),
        }
        done = command("build", self.plan, "-o", top / "whole", *_BARE, env=self.env)
        assert done.code == 0, done.said
        shutil.copytree(top / "cache", top / "kept")

    def case(self, chance: Random) -> None:
        """Spoil some entries, and build."""
        for name in ("cache", "out"):
            shutil.rmtree(self.top / name, ignore_errors=True)
        shutil.copytree(self.top / "kept", self.top / "cache")
        files = sorted(path for path in (self.top / "cache").rglob("*") if path.is_file())
        done = [
            _spoil(path, chance) for path in chance.sample(files, chance.randint(1, len(files)))
        ]
        ended = command("build", self.plan, "-o", self.top / "out", *_BARE, env=self.env)
        assert ended.code == 0, (done, ended)
        assert contents(self.top / "out") == contents(self.top / "whole"), done


def _spoil(path: Path, chance: Random) -> str:
    content = bytearray(path.read_bytes())
    how = chance.choice(["flip", "flip", "flip", "cut", "grow", "junk", "fifo", "folder", "swap"])
    if how == "flip":
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
    elif how == "cut":
        del content[chance.randrange(len(content)) :]
    elif how in ("grow", "junk"):
        content = (content if how == "grow" else bytearray()) + chance.randbytes(99)
    elif how == "swap":
        other = chance.choice(sorted(path.parent.iterdir()))
        content = bytearray(other.read_bytes()) if other.is_file() and other.suffix else content[:9]
    path.unlink()
    if how == "fifo":
        os.mkfifo(path)
    elif how == "folder":
        path.mkdir()
    else:
        path.write_bytes(content)
    return f"{path.name} {how}"
