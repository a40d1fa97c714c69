"""What cannot be done is said in a sentence, and leaves nothing behind."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drillgen.audio.formats import FORMATS, encode, format_named, tag
from drillgen.audio.tags import Tags
from drillgen.errors import AudioError
from tests import forking
from tests.audio.conftest import Piece
from tests.audio.helpers import TAGS, music, write_wav

LIMITED = """
import resource, signal, sys
from pathlib import Path
from drillgen.audio.formats import encode, tag
from drillgen.errors import AudioError
from tests.audio.helpers import TAGS
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
source, target, form, *limits = sys.argv[1:]
whole = resource.getrlimit(resource.RLIMIT_FSIZE)  # of what is said here, too, which is a file
for limit in limits:
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(limit), resource.RLIM_INFINITY))
    try:
        if form == "tags":
            tag(Path(target), TAGS)
        else:
            encode(Path(source), Path(target), form, TAGS)
    except AudioError as error:
        resource.setrlimit(resource.RLIMIT_FSIZE, whole)
        sys.stderr.write(str(error) + "\\n")
"""
posix = pytest.mark.skipif(os.name != "posix", reason="files are limited the POSIX way")


def within(limits: list[int], source: Path, target: Path, form: str) -> list[str]:
    """What is said where files may have so many bytes."""
    arguments = [str(source), str(target), form, *map(str, limits)]
    done = forking.run(arguments, program=LIMITED)
    assert done.returncode == 0, done.stderr
    return done.stderr.splitlines()


@posix
@pytest.mark.parametrize("name", FORMATS)
def test_no_room_left(piece: Piece, tmp_path: Path, name: str) -> None:
    """Wherever the disk is full, up to the very last byte: a sentence and no file."""
    target = tmp_path / f"a.{name}"
    size = piece.files[name].stat().st_size
    limits = [100, size // 3, size // 2, size - 2000, size - 1]
    said = f"{target} cannot be written: file too large."
    assert within(limits, piece.wav, target, name) == [said] * len(limits)
    assert list(tmp_path.iterdir()) == []


@posix
def test_no_room_for_tags(piece: Piece, tmp_path: Path) -> None:
    """A WAV whose tags find no room is what it was."""
    target = write_wav(tmp_path / "a.wav", piece.samples)
    size = piece.files["wav"].stat().st_size
    limits = [target.stat().st_size + 1, size - 1]
    said = f"{target} cannot be written: file too large."
    assert within(limits, piece.wav, target, "tags") == [said] * len(limits)
    assert target.read_bytes() == piece.wav.read_bytes()


def test_tags_in_place(piece: Piece, tmp_path: Path) -> None:
    """A WAV that gets its tags afterwards is the one that is written with them."""
    target = write_wav(tmp_path / "a.wav", piece.samples)
    tag(target, TAGS)
    assert target.read_bytes() == piece.files["wav"].read_bytes()


def test_older_file_stays(piece: Piece, tmp_path: Path) -> None:
    """Where encoding fails, an older file of the name stays as it was."""
    target = tmp_path / "a.mp3"
    target.write_bytes(b"older")
    with pytest.raises(AudioError, match=r"nothing\.wav cannot be read: no such file"):
        encode(tmp_path / "nothing.wav", target, "mp3", TAGS)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("a.mp3", b"older")]


def test_no_such_folder(piece: Piece, tmp_path: Path) -> None:
    """A folder that is not there is named."""
    with pytest.raises(AudioError, match="cannot be written: no such file or directory"):
        encode(piece.wav, tmp_path / "none" / "a.flac", "flac", TAGS)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not a WAV file"),
        (b"RIFF\x00\x00\x00\x00AVI ", "is not a WAV file"),
        ("24 bits", "must have 16 bits"),
        ("three channels", "one or two channels"),
        ("no samples", "holds no sound"),
    ],
)
def test_other_files_are_refused(tmp_path: Path, content: bytes | str, said: str) -> None:
    """Only a 16-bit WAV with sound, mono or stereo, is taken."""
    path = tmp_path / "a.wav"
    match content:
        case bytes():
            path.write_bytes(content)
        case "24 bits":
            soundfile.write(path, np.zeros(100), 44100, "PCM_24")
        case "three channels":
            write_wav(path, music(100, 3))
        case _:
            write_wav(path, music(0))
    with pytest.raises(AudioError, match=said):
        encode(path, tmp_path / "b.opus", "opus", TAGS)
    assert [file.name for file in tmp_path.iterdir()] == ["a.wav"]


def test_unknown_format() -> None:
    """An unknown format is answered with the nearest, or with all there are."""
    with pytest.raises(AudioError, match=r"'flak': there are .*did you mean flac\?"):
        format_named("flak")
    with pytest.raises(AudioError, match=rf"'8-track': there are {', '.join(FORMATS)}\.$"):
        format_named("8-track")


@pytest.mark.parametrize(
    ("said", "meant"), [("MP3", "mp3"), (".opus", "opus"), ("aac", "m4a"), (" wave ", "wav")]
)
def test_usual_names(said: str, meant: str) -> None:
    """Endings, capitals and other usual names are understood."""
    assert format_named(said).name == meant


def test_wav_in_place(tmp_path: Path) -> None:
    """Tags can be put into the WAV itself, over and over: nothing is said twice."""
    path = write_wav(tmp_path / "a.wav", music(5000))
    encode(path, path, "wav", TAGS)
    once = path.read_bytes()
    encode(path, path, "wav", TAGS)
    assert path.read_bytes() == once
    encode(path, path, "wav", Tags("Other"))
    assert TAGS.album.encode() not in path.read_bytes()
