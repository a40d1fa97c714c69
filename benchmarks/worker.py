"""A process that renders one track some times and says how long each took.

    python -m benchmarks.worker DRILL FOLDER SOUNDFONT ROOM MIXES TIMES

Imports are not counted, nor is working out what is played: this is the time of `render`, from the
performance to WAV files, as in a process that makes one track after the other.
"""

from __future__ import annotations

import json
import resource
import sys
from functools import partial
from pathlib import Path

from benchmarks.running import timed
from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.performance import perform
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import choose


def main() -> None:
    """Print seconds of each rendering and the peak of memory in MB as JSON."""
    drill, folder, name, room, mixes, times = sys.argv[1:]
    performance = perform(arrange(charts(load(Path(drill)).drills[0])[0]))
    everyone = frozenset(voice.part for voice in performance.voices)
    requests = [
        MixRequest("with line", everyone, Path(folder) / "with line.wav"),
        MixRequest("play-along", everyone - {"line"}, Path(folder) / "play-along.wav"),
    ][: int(mixes)]
    soundfont = choose(name).soundfont
    job = partial(render, performance, requests, soundfont=soundfont, room=room)
    seconds = [timed(job) for _ in range(int(times))]
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    print(json.dumps({"seconds": seconds, "peak": peak}))


if __name__ == "__main__":
    main()
