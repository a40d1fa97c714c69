"""Tiny drills, the small soundfont that comes with pip, and a note cache of the run's own."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


def embedded_soundfont() -> Path:
    """The one that pretty_midi carries."""
    spec = importlib.util.find_spec("pretty_midi")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).with_name("TimGM6mb.sf2")


def surround(patch: pytest.MonkeyPatch, notes: Path) -> None:
    """What every command of these tests finds."""
    patch.setenv("DRILLGEN_SOUNDFONT", str(embedded_soundfont()))
    patch.setenv("DRILLGEN_CACHE", str(notes))


@pytest.fixture(autouse=True)
def surroundings(notes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    surround(monkeypatch, notes)
