"""The person's own folders: where soundfonts are looked for and notes are kept."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pretty_midi
import pytest

from drillgen.disk import cache_dir
from tests.conftest import run_command

FONT = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"
linux = pytest.mark.skipif(sys.platform != "linux", reason="the XDG specification is for Linux")


def put_font(data: Path) -> Path:
    """A soundfont of the person's own in a folder for data."""
    own = data / "drillgen" / "soundfonts" / "mine.sf2"
    own.parent.mkdir(parents=True)
    return Path(shutil.copy(FONT, own))


def listed(home: Path, **more: str) -> str:
    """What `drillgen soundfonts` says for a person with that home and nothing else set."""
    with pytest.MonkeyPatch.context() as patch:
        for name in [name for name in os.environ if name.startswith(("XDG_", "DRILLGEN_"))]:
            patch.delenv(name)
        for name, text in {"HOME": str(home), **more}.items():
            patch.setenv(name, text)
        done = run_command("soundfonts", cwd=home)
    assert done.returncode == 0, done.stderr
    return done.stdout


@linux
@pytest.mark.parametrize("said", ["", "relative/data"])
def test_own_soundfonts_by_default(tmp_path: Path, said: str) -> None:
    """Soundfonts in ~/.local/share/drillgen/soundfonts are found where XDG_DATA_HOME is empty or
    relative (XDG Base Directory Specification 0.8: then the default holds)."""
    assert str(put_font(tmp_path / ".local" / "share")) in listed(tmp_path, XDG_DATA_HOME=said)


@linux
def test_own_soundfonts_where_xdg_says(tmp_path: Path) -> None:
    """Where XDG_DATA_HOME is absolute, its drillgen/soundfonts is looked into instead."""
    put_font(tmp_path / ".local" / "share")
    own = put_font(tmp_path / "elsewhere")
    found = listed(tmp_path, XDG_DATA_HOME=str(tmp_path / "elsewhere"))
    assert str(own) in found
    assert str(tmp_path / ".local") not in found


@linux
@pytest.mark.parametrize(
    ("said", "found"),
    [("", "home/.cache"), ("relative", "home/.cache"), ("{}/elsewhere", "elsewhere")],
)
def test_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: str, found: str) -> None:
    """Notes are kept in XDG_CACHE_HOME, or where that is empty or relative in ~/.cache."""
    monkeypatch.delenv("DRILLGEN_CACHE", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_CACHE_HOME", said.format(tmp_path))
    assert cache_dir() == tmp_path / found / "drillgen"


def test_own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """DRILLGEN_CACHE names the folder itself; `~` is the home."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))  # the home on Windows
    monkeypatch.setenv("DRILLGEN_CACHE", str(Path("~") / "notes"))
    assert cache_dir() == tmp_path / "notes"
