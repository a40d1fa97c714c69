"""`python -m benchmarks`: measure on this machine and print tables.

FluidSynth's own command line renders the same MIDI file with the same soundfont in the same run;
where it is missing, that row says so.  Every figure is the median of several runs.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

RUNS = 5
DRILL = """\
title: Six keys
progression: ii7 | V7 | Imaj7 | %
key_cycle: {start: C, move: -2, keys: 6}
tempo: 72
band: {drums: brushes, comping: piano, bass: roots}
line: {kind: guide tones, begin_on: 7}
gaps: {call: 4, response: 4}
"""


def main() -> None:
    """Measure everything and print it."""
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, {platform.system()}, "
        f"Python {platform.python_version()}; medians of {RUNS} runs\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        drill = work / "six.yaml"
        drill.write_text(DRILL)
        _commands(work, drill)
        _build(work, drill)


def _commands(work: Path, drill: Path) -> None:
    print("| command | seconds | goal |\n| --- | --- | --- |")
    for name, arguments, goal in (
        ("drillgen --help", ["--help"], 0.25),
        ("drillgen check six.yaml", ["check", str(drill)], 0.6),
    ):
        print(f"| `{name}` | {median(partial(drillgen, arguments, work)):.2f} | {goal} |")


def _build(work: Path, drill: Path) -> None:
    out = work / "pack"
    cold = [
        _timed(lambda: drillgen(["build", str(drill), "-o", str(out)], work, fresh=True))
        for _ in range(RUNS)
    ]
    warm = median(lambda: drillgen(["build", str(drill), "-o", str(out)], work))
    peak = _peak(["build", str(drill), "-o", str(out)], work)
    print(f"| six keys at 72, cold note cache | {statistics.median(cold):.2f} | 5 |")
    print(f"| six keys at 72, warm | {warm:.2f} | |")
    print(f"\nPeak memory of the build: {peak:.0f} MB (goal 400)\n")
    _against_fluidsynth(out, statistics.median(cold), warm)


def _against_fluidsynth(out: Path, cold: float, warm: float) -> None:
    """The command line renders the demonstration once; the build writes it and the play-along."""
    command = shutil.which("fluidsynth")
    if command is None:
        print("FluidSynth's command line is not installed: no ratios.")
        return
    track = json.loads((out / "manifest.json").read_text("utf-8"))["tracks"][0]
    font = _soundfont()
    midi = out / track["files"]["midi with line"]
    print(
        "| against `fluidsynth -ni -F`, the same MIDI and soundfont | its seconds | cold build "
        "| warm build |\n| --- | --- | --- | --- |"
    )
    for effects in ("off", "on"):
        switches = ["-R", "0", "-C", "0"] if effects == "off" else ["-R", "1", "-C", "1"]
        wav = out / "fluidsynth.wav"
        run = [command, "-ni", *switches, "-r", "44100", "-F", str(wav), font, str(midi)]
        theirs = median(partial(_silent, run))
        print(
            f"| reverb and chorus {effects} | {theirs:.2f} | {cold / theirs:.2f} of it "
            f"| {warm / theirs:.2f} of it |"
        )


def _soundfont() -> str:
    from drillgen.sound.soundfonts import choose

    return str(choose(None).soundfont.path)


def drillgen(arguments: list[str], work: Path, *, fresh: bool = False) -> None:
    """Run the command in a process of its own, with a note cache in the work folder."""
    with _cache(work, fresh=fresh) as environment:
        _silent([sys.executable, "-m", "drillgen", *arguments], environment)


@contextmanager
def _cache(work: Path, *, fresh: bool) -> Iterator[dict[str, str]]:
    cache = work / "cache"
    if fresh:
        shutil.rmtree(cache, ignore_errors=True)
    yield os.environ | {"DRILLGEN_CACHE": str(cache)}


def _silent(command: list[str], environment: dict[str, str] | None = None) -> None:
    subprocess.run(
        command, check=True, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def _peak(arguments: list[str], work: Path) -> float:
    """Megabytes resident at most, of a cold build in a process of its own."""
    code = (
        "import resource, subprocess, sys; subprocess.run(sys.argv[1:], check=True, "
        "stdout=subprocess.DEVNULL); "
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    with _cache(work, fresh=True) as environment:
        done = subprocess.run(
            [sys.executable, "-c", code, sys.executable, "-m", "drillgen", *arguments],
            check=True,
            env=environment,
            capture_output=True,
            text=True,
        )
    kilobytes = int(done.stdout) / (1024 if platform.system() == "Darwin" else 1)
    return kilobytes / 1024


def median(job: Callable[[], None]) -> float:
    """Seconds of a job, the median of several runs."""
    return statistics.median(_timed(job) for _ in range(RUNS))


def _timed(job: Callable[[], None]) -> float:
    began = time.perf_counter()
    job()
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
