"""One served pack for many questions."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.serve.serving import Served, make_pack, serve


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    running = serve(make_pack(tmp_path_factory.mktemp("share")))
    yield running
    running.process.kill()
    running.process.wait()
