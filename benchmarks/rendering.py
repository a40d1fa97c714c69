"""Sound against the synthesiser that it stands on, with one soundfont.

FluidSynth's command line renders the same MIDI files with the same soundfont in the same run.  Its
effects are off where our room is off, and on where it is on.  Every figure is a median of RUNS.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from benchmarks.running import ROOT, RUNS, drillgen, environment, silent, timed

FIVE = """\
title: Five minutes
progression: I7 | IV7 | I7 | % | IV7 | % | I7 | VI7 | ii7 | V7 | I7 VI7 | ii7 V7
key_cycle: fourths
tempo: 116
band: {drums: sticks, comping: piano, bass: walking}
line: walking
gaps: none
"""
CLASS = FIVE.replace("tempo: 116", "tempo: [80, 100, 116, 132, 152]")
SHORT = FIVE.replace("key_cycle: fourths", "key_cycle: [C]")
BARE = ("--no-sheets", "--no-page")
_TRACKS = (1, 2, 4, 8, 16, 32, 64)


@dataclass(frozen=True, slots=True)
class Bench:
    """Where to work, and with what."""

    work: Path
    font: str  # path
    fluidsynth: str | None  # its command

    @property
    def cache(self) -> Path:
        return self.work / "cache"

    def forget(self) -> None:
        """Have a cold note cache."""
        shutil.rmtree(self.cache, ignore_errors=True)

    def drill(self, name: str, text: str) -> Path:
        path = self.work / f"{name}.yaml"
        path.write_text(text, "utf-8")
        return path

    def build(self, drill: Path, out: Path, *options: str) -> None:
        """Make a pack anew."""
        shutil.rmtree(out, ignore_errors=True)
        self.make(drill, out, *options)

    def make(self, drill: Path, out: Path, *options: str) -> None:
        """Make a pack, or bring it up to date."""
        drillgen(
            ["build", str(drill), "-o", str(out), "--soundfont", self.font, *options], self.cache
        )

    def worker(self, drill: Path, room: str, mixes: int = 1, times: int = 1) -> Any:
        """Render in a process of its own; see `worker.py`."""
        settings = [str(drill), str(self.work), self.font, room, str(mixes), str(times)]
        done = subprocess.run(
            [sys.executable, "-m", "benchmarks.worker", *settings],
            env=environment(self.cache),
            cwd=ROOT,
            check=True,
            capture_output=True,
            text=True,
        )
        return json.loads(done.stdout)

    def theirs(self, files: Iterable[Path], effects: bool) -> float:
        """Seconds that FluidSynth takes for some MIDI files, one after the other."""
        assert self.fluidsynth is not None
        switch = str(int(effects))
        options = ["-ni", "-R", switch, "-C", switch, "-r", "44100"]
        wav = str(self.work / "fluidsynth.wav")
        began = time.perf_counter()
        for file in files:
            silent([self.fluidsynth, *options, "-F", wav, self.font, str(file)])
        return time.perf_counter() - began


def compare(bench: Bench) -> None:
    """Print the table for one soundfont."""
    print("| job | FluidSynth | drillgen | ratio | goal |\n| --- | --- | --- | --- | --- |")
    _track(bench)
    _class(bench)
    _memory(bench)
    _first_sound(bench)
    _growing(bench)


def _row(job: str, theirs: float | None, ours: float, goal: str, unit: str = "s") -> None:
    yardstick = "" if theirs is None else f"{theirs:.2f} s"
    ratio = "" if theirs is None else f"{ours / theirs:.3f}"
    print(f"| {job} | {yardstick} | {ours:.2f} {unit} | {ratio} | {goal} |", flush=True)


def _track(bench: Bench) -> None:
    drill = bench.drill("five", FIVE)
    bench.build(drill, bench.work / "five")
    [midi] = (bench.work / "five").rglob("* with line.mid")
    for room, effects in (("off", False), ("small", True)):
        name = f"one 5-minute track, {'no room' if room == 'off' else 'small room'}"
        theirs = None
        if bench.fluidsynth:
            runs = [bench.theirs([midi], effects) for _ in range(RUNS)]
            theirs = statistics.median(runs)
        cold = [_cold(bench, drill, room) for _ in range(RUNS)]
        _row(f"{name}, cold bank", theirs, statistics.median(cold), "0.6")
        disk = [bench.worker(drill, room)["seconds"][0] for _ in range(RUNS)]
        _row(f"{name}, bank on disk, first track of a process", theirs, statistics.median(disk), "")
        warm = bench.worker(drill, room, times=RUNS + 1)["seconds"][1:]
        _row(f"{name}, warm bank", theirs, statistics.median(warm), "0.05")


def _cold(bench: Bench, drill: Path, room: str) -> float:
    bench.forget()
    return float(bench.worker(drill, room)["seconds"][0])


def _class(bench: Bench) -> None:
    """Two WAV mixes of each of five tracks, without sheets and page."""
    drill, out = bench.drill("class", CLASS), bench.work / "class"
    ours = []
    for _ in range(RUNS):
        bench.forget()
        ours.append(timed(partial(bench.build, drill, out, "--jobs", "2", *BARE)))
    theirs = None
    if bench.fluidsynth:
        files = sorted(out.rglob("*.mid"))
        theirs = statistics.median(bench.theirs(files, True) for _ in range(RUNS))
    name = "12 keys × 5 tempos, two mixes each, small room, cold, two cores"
    _row(name, theirs, statistics.median(ours), "0.08")


def _memory(bench: Bench) -> None:
    peaks = [bench.worker(bench.drill("five", FIVE), "small", mixes=2)["peak"] for _ in range(RUNS)]
    _row("peak memory, 5-minute track in two mixes", None, statistics.median(peaks), "250 MB", "MB")


def _first_sound(bench: Bench) -> None:
    drill, out = bench.drill("short", SHORT), bench.work / "short"
    cold = []
    for _ in range(RUNS):
        bench.forget()
        cold.append(_until_sound(bench, drill, out))
    _row("first sound of one drill, cold", None, statistics.median(cold), "3 s")
    warm = [_until_sound(bench, drill, out) for _ in range(RUNS)]
    _row("first sound of one drill, warm", None, statistics.median(warm), "1 s")


def _until_sound(bench: Bench, drill: Path, out: Path) -> float:
    """Seconds from the command until the first WAV file is there."""
    shutil.rmtree(out, ignore_errors=True)
    command = ["build", str(drill), "-o", str(out), "--soundfont", bench.font]
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "drillgen", *command],
        env=environment(bench.cache),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    while process.poll() is None and not _sounds(out):
        time.sleep(0.005)
    seconds = time.perf_counter() - began
    process.wait()
    return seconds


def _sounds(out: Path) -> bool:
    """Whether a finished WAV file is there (not those being made, in a hidden folder)."""
    return any(
        name.endswith(".wav")
        for folder, _, names in os.walk(out)
        for name in names
        if ".making" not in folder
    )


def _growing(bench: Bench) -> None:
    """One run each: what matters is how the time grows."""
    for count in _TRACKS:
        keys = ("C", "F")[: 2 if count > 1 else 1]  # a drill has 32 tempos at most
        tempos = ", ".join(str(60 + number) for number in range(count // len(keys)))
        text = SHORT.replace("[C]", f"[{', '.join(keys)}]").replace("116", f"[{tempos}]")
        drill = bench.drill("growing", f"{text}tracks: per key\n")
        seconds = timed(partial(bench.build, drill, bench.work / "growing", *BARE))
        each = 1000 * seconds / count
        _row(f"{count} tracks, warm bank ({each:.0f} ms a track)", None, seconds, "linear")
