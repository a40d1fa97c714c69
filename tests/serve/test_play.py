"""`drillgen play`: a drill is heard without a pack, and its file is followed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from tests.conftest import Run
from tests.pack.building import TINY


def until(path: Path, text: str) -> str:
    """What a process has said, once it has said this."""
    end = time.monotonic() + 60
    while text not in (said := path.read_text("utf-8")):
        assert time.monotonic() < end, said
        time.sleep(0.05)
    return said


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_a_file_is_followed(tmp_path: Path) -> None:
    """The page is there at once; after a change it is another, after a slip the slip is said with
    its place and the page stays; Ctrl-C ends it, and nothing is left."""
    drill, said = tmp_path / "mine.yaml", tmp_path / "said"
    drill.write_text(f"{{title: First try, {TINY}}}\n", "utf-8")
    (tmp_path / "temporary").mkdir()
    with said.open("w") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "drillgen", "play", str(drill), "--no-browser"],
            stdout=file,
            stderr=file,
            env=os.environ | {"TMPDIR": str(tmp_path / "temporary"), "PYTHONUNBUFFERED": "1"},
        )
    try:
        address = until(said, "Ctrl-C ends it").split("http")[1].split("\n")[0]

        def page() -> str:
            with urllib.request.urlopen(f"http{address}", timeout=10) as answer:
                return str(answer.read().decode("utf-8"))

        assert "First try" in page()
        drill.write_text(f"{{title: Second try, {TINY}}}\n", "utf-8")
        until(said, "Second try: ready")
        assert "Second try" in page()
        drill.write_text(f"{{titel: Third try, {TINY}}}\n", "utf-8")
        assert f"{drill}:1:2: titel:" in until(said, 'mean "title"?')
        assert "Second try" in page()
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()
    assert not list((tmp_path / "temporary").iterdir())


def test_a_slip_at_the_start(tmp_path: Path, drillgen: Run) -> None:
    """What cannot be read is said, and nothing is opened."""
    drill = tmp_path / "mine.yaml"
    drill.write_text("progression: ii7 | X\n", "utf-8")
    done = drillgen("play", drill, "--no-browser")
    assert done.returncode == 2 and f"{drill}:1:20" in done.stderr and not done.stdout
