"""Memory does not grow with the track."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

_TRACK = """\
import sys
from pathlib import Path
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import choose
from tests.sound.helpers import EVERYONE, BAND, band
out = Path(sys.argv[1])
mixes = [MixRequest("a", BAND, out / "a.wav"), MixRequest("b", EVERYONE, out / "b.wav")]
report = render(band(float(sys.argv[2])), mixes, soundfont=choose().soundfont, jobs=2)
# Of this process alone: ru_maxrss would count what its parent had before.
status = Path("/proc/self/status").read_text().split()
print(int(status[status.index("VmHWM:") + 1]) / 1024, report.mixes[0].samples)
"""


def rendered(folder: Path, seconds: int) -> tuple[float, int]:
    """By a process of its own: the most memory that it has used, in MB, and the samples of a
    mix."""
    done = subprocess.run(
        [sys.executable, "-c", _TRACK, str(folder), str(seconds)],
        cwd=Path(__file__).parents[2],
        env=os.environ,
        check=True,
        capture_output=True,
        text=True,
    )
    megabytes, samples = done.stdout.split()
    return float(megabytes), int(samples)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_five_minutes(tmp_path: Path) -> None:
    """Five minutes in two mixes take less than 240 MB, of which Python and the notes have some 150:
    one of the mixes alone would be 106 MB, if it were held."""
    rendered(tmp_path, 70)  # all notes: after 68 s the band has the same again
    megabytes, samples = rendered(tmp_path, 300)
    assert samples == 300 * 44100
    assert megabytes < 240
    assert (tmp_path / "a.wav").stat().st_size == 44 + 4 * 300 * 44100
