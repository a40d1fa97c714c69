"""Tiny drills, the small soundfont that comes with pip, and a note cache of the run's own."""

from __future__ import annotations

import importlib.util
import subprocess
from pathlib import Path

import pytest

from tests.conftest import run_command


def embedded_soundfont() -> Path:
    """The one that pretty_midi carries."""
    spec = importlib.util.find_spec("pretty_midi")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).with_name("TimGM6mb.sf2")


def surround(patch: pytest.MonkeyPatch, notes: Path) -> None:
    """What every command of these tests finds."""
    patch.setenv("DRILLGEN_SOUNDFONT", str(embedded_soundfont()))
    patch.setenv("DRILLGEN_CACHE", str(notes))


def built(notes: Path, plan: Path, out: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Build a pack that several tests look at, as each of them would."""
    with pytest.MonkeyPatch.context() as patch:
        surround(patch, notes)
        done = run_command("build", plan, "-o", out, *options)
    assert done.returncode == 0, done.stderr
    return done


@pytest.fixture(autouse=True)
def surroundings(notes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    surround(monkeypatch, notes)
