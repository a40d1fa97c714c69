"""Playlists that other programs read."""

from __future__ import annotations

from pathlib import Path

import pytest

from drillgen.errors import AudioError
from drillgen.pack.handout import PlaylistEntry, playlist, write_playlist


def test_extended_m3u(tmp_path: Path) -> None:
    """A head; for each file a line of length and title, and its name (common practice)."""
    items = [
        PlaylistEntry(
            tmp_path / "pack" / "Two-fives" / "Two-fives - Bb – 72.mp3", "Two-fives\nin B♭", 178.2
        ),
        PlaylistEntry(tmp_path / "pack" / "#1.flac", "One", 59.6),
    ]
    assert playlist(items, tmp_path / "pack") == (
        "#EXTM3U\n"
        "#EXTINF:178,Two-fives in B♭\n"
        "Two-fives/Two-fives - Bb – 72.mp3\n"
        "#EXTINF:60,One\n"
        "./#1.flac\n"
    )


def test_names_lead_to_the_files(tmp_path: Path) -> None:
    """Every other line is a file, seen from the playlist's folder; UTF-8 without a mark."""
    (tmp_path / "Blues").mkdir()
    paths = [tmp_path / "Blues" / "Früh 1.mp3", tmp_path / "top.mp3"]
    for path in paths:
        path.touch()
    target = tmp_path / "Blues" / "all.m3u8"
    write_playlist(target, [PlaylistEntry(path, path.stem, 1.0) for path in paths])
    raw = target.read_bytes()
    assert raw.startswith(b"#EXTM3U\n")
    names = [line for line in raw.decode("utf-8").splitlines() if not line.startswith("#")]
    assert "\\" not in "".join(names)
    assert [(target.parent / name).resolve() for name in names] == [p.resolve() for p in paths]


def test_unwritable(tmp_path: Path) -> None:
    """A folder that is not there is one sentence."""
    with pytest.raises(AudioError, match="cannot be written: no such file"):
        write_playlist(tmp_path / "none" / "all.m3u8", [])
