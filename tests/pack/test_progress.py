"""What a person sees of a long build."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from drillgen.cli.building import time_left
from tests.pack.building import TINY, lesson


@pytest.mark.parametrize(
    ("done", "seconds", "said"),
    [
        (0.5, 10.0, "10 s left"),
        (0.25, 20.0, "60 s left"),
        (0.1, 60.0, "9 min left"),
        (0.99, 10.0, "a moment left"),
        (1.0, 10.0, ""),
        (0.01, 10.0, ""),
        (0.5, 0.5, ""),
    ],
)
def test_the_rest_takes_as_long_as_what_is_done(done: float, seconds: float, said: str) -> None:
    """The rest takes its share of the time (rule of three); too early, nothing is said."""
    assert time_left(done, seconds) == said


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_the_bar_reaches_its_end(tmp_path: Path, jobs: str) -> None:
    """At a terminal, the share that is done never falls, and ends at 100 %; tracks are named."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [360, 350]"}, TINY)
    try:
        own, others = pty.openpty()
    except OSError as error:  # in some containers
        pytest.skip(f"this machine gives no terminal: {error}")
    command = [sys.executable, "-m", "drillgen", "build", plan, "-o", tmp_path / "out"]
    with subprocess.Popen(
        [*map(str, command), "--jobs", jobs], stderr=others, stdout=others
    ) as run:
        os.close(others)
        shown = b""
        while True:
            try:
                part = os.read(own, 4096)
            except OSError:  # Linux says so at the end
                break
            shown += part
            if not part:
                break
    assert run.returncode == 0
    shares = [int(share) for share in re.findall(rb"(\d+)%", shown)]
    assert shares == sorted(shares) and shares[-1] == 100
    assert b"One - C - 3" in shown
