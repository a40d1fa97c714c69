"""One served pack for many questions."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.pack.conftest import surround
from tests.serve.serving import Served, make_pack, serve


@pytest.fixture(autouse=True)
def surroundings(notes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    surround(monkeypatch, notes)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    running = serve(make_pack(tmp_path_factory.mktemp("share")))
    yield running
    running.end()
