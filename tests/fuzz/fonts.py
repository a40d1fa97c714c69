"""Hostile soundfonts: sound, or a sentence; never a crash."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path
from random import Random

from tests.fuzz.commands import command
from tests.pack.building import lesson
from tests.pack.conftest import embedded_soundfont

NAME = "fonts"
_CHUNKS = (b"phdr", b"pbag", b"pmod", b"pgen", b"inst", b"ibag", b"imod", b"igen", b"shdr", b"smpl",
           b"LIST", b"INAM", b"ifil", b"RIFF")  # fmt: skip
_ODD = (0, 1, 0x7F, 0x80, 0xFF, 0x10)


class Ground:
    """A drill of one bar and the soundfont that comes with pretty_midi."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.plan = lesson(top / "one.yaml", {"One": "tempo: 360"})
        self.whole = embedded_soundfont().read_bytes()
        self.places = {kind: _places(self.whole, kind) for kind in _CHUNKS}

    def case(self, chance: Random) -> None:
        """Build with a soundfont in which some bytes are others."""
        font = self.top / "evil.sf2"
        font.write_bytes(self._changed(chance))
        env = {"DRILLGEN_SOUNDFONT": str(font), "DRILLGEN_CACHE": str(self.top / "cache")}
        for name in ("cache", "out"):
            shutil.rmtree(self.top / name, ignore_errors=True)
        options = ("--no-sheets", "--no-page", "--quiet", *chance.choice([(), ("--reference",)]))
        ended = command("build", self.plan, "-o", self.top / "out", *options, env=env)
        assert ended.in_order(), ended

    def _changed(self, chance: Random) -> bytes:
        content = bytearray(self.whole)
        for _ in range(chance.randint(1, 12)):
            start = chance.choice(self.places[chance.choice(_CHUNKS)] or [0])
            length = struct.unpack_from("<I", content, start + 4)[0] if start else 64
            at = min(start + 8 + chance.randrange(min(length, 40_000) + 1), len(content) - 1)
            if chance.random() < 0.1:  # the length itself
                at = start + 4 + chance.randrange(4)
            content[at] = chance.choice([*_ODD, chance.randrange(256)])
        if chance.random() < 0.1:
            del content[chance.randrange(len(content)) :]
        return bytes(content)


def _places(content: bytes, kind: bytes) -> list[int]:
    found, at = [], content.find(kind)
    while at >= 0 and len(found) < 9:
        found.append(at)
        at = content.find(kind, at + 4)
    return found
