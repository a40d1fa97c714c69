"""Memory does not grow with the track."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

_HOUR = """\
import sys
from pathlib import Path
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import choose
from tests.sound.helpers import EVERYONE, BAND, band
out = Path(sys.argv[1])
mixes = [MixRequest("a", BAND, out / "a.wav"), MixRequest("b", EVERYONE, out / "b.wav")]
report = render(band(float(sys.argv[2]), 60.0), mixes, soundfont=choose().soundfont, room="off")
# Of this process alone: ru_maxrss would count what its parent had before.
status = Path("/proc/self/status").read_text().split()
print(int(status[status.index("VmHWM:") + 1]) / 1024, report.mixes[0].samples)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_half_an_hour(tmp_path: Path) -> None:
    """Half an hour in two mixes takes less than 500 MB, which is what an hour may take."""
    done = subprocess.run(
        [sys.executable, "-c", _HOUR, str(tmp_path), "1800"],
        cwd=Path(__file__).parents[2],
        env=os.environ,
        check=True,
        capture_output=True,
        text=True,
    )
    megabytes, samples = done.stdout.split()
    assert int(samples) == 1800 * 44100
    assert float(megabytes) < 500
    assert (tmp_path / "a.wav").stat().st_size == 44 + 4 * 1800 * 44100
