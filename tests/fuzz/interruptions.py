"""Builds that are ended at any moment: the next one leaves what an undisturbed one leaves."""

from __future__ import annotations

import shutil
import signal
import tempfile
import time
import zipfile
from pathlib import Path
from random import Random

from tests.forking import Begun
from tests.pack.building import contents, lesson
from tests.pack.conftest import embedded_soundfont

NAME = "interruptions"
_SIGNALS = [signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP]
_VERSIONS = (("--room", "off"), ("--room", "small", "--stems"))


class Ground:
    """Two versions of a pack as nobody has disturbed them, and how long they take."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.ended = 0
        titles = {"One": "tempo: [360, 350]", "Two": "tempo: 340"}
        self.plan = lesson(top / "term.yaml", titles)
        self.env = {
            "DRILLGEN_SOUNDFONT": str(embedded_soundfont()),
            "DRILLGEN_CACHE": str(top / "cache"),
        }
        self.whole = []
        for number, options in enumerate(_VERSIONS):
            began = time.monotonic()
            pack = top / f"whole {number}" / "out"
            self._build(pack, *options, "--zip").wait()
            self.seconds = time.monotonic() - began
            self.whole.append((contents(pack), pack.with_suffix(".zip").read_bytes()))

    def told(self) -> str:
        return f"{self.ended} builds ended by a signal"

    def _build(self, pack: Path, *options: str) -> Begun:
        said = Path(tempfile.mkdtemp(dir=self.top))
        command = ["build", str(self.plan), "-o", str(pack), "--quiet", *options]
        return Begun(command, said, more=self.env)

    def case(self, chance: Random) -> None:
        """End a build or two, then build."""
        shutil.rmtree(self.top / "here", ignore_errors=True)
        (self.top / "here").mkdir()
        pack = self.top / "here" / "out"
        done = []
        for _ in range(chance.choice([1, 2, 6])):
            ending, wait = chance.choice(_SIGNALS), chance.random() * self.seconds
            options = [*chance.choice(_VERSIONS), *chance.choice([["--zip"], []])]
            options += chance.choice([["--jobs", "1"], ["--jobs", "2"], []])
            process = self._build(pack, *options)
            time.sleep(wait)
            process.send_signal(ending)
            said = process.communicate()[1]
            self.ended += process.returncode != 0
            done.append((ending.name, round(wait, 2), options, process.returncode, said[-300:]))
            assert "Traceback" not in said or process.returncode == -ending, done
            self._only_whole_files(pack, done)
        last = chance.randrange(2)
        final = self._build(pack, *_VERSIONS[last], "--zip")
        said = final.communicate()[1]
        assert final.returncode == 0, (done, said)
        assert contents(pack) == self.whole[last][0], done
        names = {path.name for path in pack.parent.iterdir()}
        assert names == {"out", "out.zip"}, (done, names)
        assert pack.with_suffix(".zip").read_bytes() == self.whole[last][1], done

    def _only_whole_files(self, pack: Path, done: object) -> None:
        there = contents(pack) if pack.exists() else {}
        for name, data in there.items():
            if not name.startswith(".") and name != "manifest.json":
                assert data in [whole.get(name) for whole, _ in self.whole], (done, name)
        if (target := pack.with_suffix(".zip")).exists():
            with zipfile.ZipFile(target) as packed:
                assert packed.testzip() is None, done
