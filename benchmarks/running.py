"""Running commands and timing them."""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

RUNS = 5
ROOT = Path(__file__).parents[1]


def drillgen(arguments: list[str], cache: Path) -> list[str]:
    """Run the command in a process of its own, with a note cache of its own."""
    command = [sys.executable, "-m", "drillgen", *arguments]
    silent(command, environment(cache))
    return command


def environment(cache: Path) -> dict[str, str]:
    """With a note cache of its own.  What Python compiles is kept beside that, whatever this
    process's environment says: so it is where drillgen is installed."""
    own = {"DRILLGEN_CACHE": str(cache), "PYTHONPYCACHEPREFIX": str(cache.with_name("compiled"))}
    return os.environ | own | {"PYTHONDONTWRITEBYTECODE": ""}


def silent(command: list[str], environment: dict[str, str] | None = None) -> None:
    """Run a command; its output is lost unless it fails."""
    done = subprocess.run(
        command, env=environment, capture_output=True, text=True, check=False, cwd=ROOT
    )
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}: {done.stderr[-2000:]}")


def median(job: Callable[[], object], runs: int = RUNS) -> float:
    """Seconds of a job, the median of several runs."""
    return statistics.median(timed(job) for _ in range(runs))


def timed(job: Callable[[], object]) -> float:
    began = time.perf_counter()
    job()
    return time.perf_counter() - began


def seeds_asked(text: str) -> range:
    """What `--seeds 1-10` means."""
    found = re.fullmatch(r"(\d+)-(\d+)", text)
    if not found or int(found[1]) > int(found[2]):
        raise argparse.ArgumentTypeError(f"{text!r}: allowed are seeds from one to another, 1-10")
    return range(int(found[1]), int(found[2]) + 1)
