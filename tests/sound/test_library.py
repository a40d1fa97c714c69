"""Finding FluidSynth's library."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from drillgen.sound.library import candidates, library

_ASK = (
    "import sys\n"
    "from drillgen.errors import DrillgenError\n"
    "from drillgen.sound.library import library\n"
    "try:\n"
    "    found = library()\n"
    "    print(found.where, found.version, 'pygame' in sys.modules)\n"
    "except DrillgenError as error:\n"
    "    print(error)\n"
)


def asked(path: Path | str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", _ASK],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"DRILLGEN_FLUIDSYNTH": str(path)},
    )
    return done.stdout.strip()


def test_it_is_found() -> None:
    """A library is found, of major version 2 or later (its API since 2018)."""
    assert int(library().version.split(".")[0]) >= 2


def test_the_one_in_pygame(monkeypatch: pytest.MonkeyPatch) -> None:
    """pygame-ce's own copy is found and works without importing pygame."""
    monkeypatch.delenv("DRILLGEN_FLUIDSYNTH", raising=False)
    carried = [path for where, path in candidates() if where == "pygame-ce"]
    if not carried:
        pytest.skip("the pygame-ce wheel for this system carries no FluidSynth")
    where, version, imported = asked(carried[0]).split()
    assert (where, imported) == ("DRILLGEN_FLUIDSYNTH", "False")
    assert version.startswith("2.")


@pytest.mark.parametrize("content", [None, b"not a library"])
def test_a_wrong_path(tmp_path: Path, content: bytes | None) -> None:
    """A wrong DRILLGEN_FLUIDSYNTH is one sentence that says what to install."""
    path = tmp_path / "libfluidsynth.so"
    if content is not None:
        path.write_bytes(content)
    said = asked(path)
    assert said.startswith("FluidSynth's library was not found")
    assert "apt install libfluidsynth3" in said
    assert "\n" not in said
