"""A pytest plugin: of all tests, those that the file CHOSEN names, in its order."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    chosen = Path(os.environ["CHOSEN"]).read_text("utf-8").split("\n")
    place = {name: number for number, name in enumerate(chosen)}
    left = [item for item in items if item.nodeid not in place]
    config.hook.pytest_deselected(items=left)
    items[:] = sorted(
        (item for item in items if item.nodeid in place), key=lambda item: place[item.nodeid]
    )
