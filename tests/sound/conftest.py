"""Sound tests: a note cache of their own, and the soundfonts of this machine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from drillgen.sound.soundfonts import Soundfont, choose


@pytest.fixture(scope="session", autouse=True)
def cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A note cache for this session only."""
    folder = tmp_path_factory.mktemp("cache")
    before = os.environ.get("DRILLGEN_CACHE")
    os.environ["DRILLGEN_CACHE"] = str(folder)
    yield folder
    if before is None:
        del os.environ["DRILLGEN_CACHE"]
    else:
        os.environ["DRILLGEN_CACHE"] = before


@pytest.fixture(scope="session")
def font() -> Soundfont:
    """The soundfont that would be used."""
    return choose().soundfont
