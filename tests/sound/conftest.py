"""Sound tests: a note cache of the run's own, and the soundfonts of this machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from drillgen.sound.soundfonts import Soundfont, choose


@pytest.fixture(autouse=True)
def cache(notes: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where notes are kept."""
    monkeypatch.setenv("DRILLGEN_CACHE", str(notes))
    return notes


@pytest.fixture(scope="session")
def font() -> Soundfont:
    """The soundfont that would be used."""
    return choose().soundfont
