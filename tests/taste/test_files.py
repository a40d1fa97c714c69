"""Files: what the standards and the systems that read them make of their numbers."""

from __future__ import annotations

import errno
import importlib.util
import os
import struct
import sys
from collections import deque
from contextlib import nullcontext
from io import BytesIO
from ipaddress import IPv4Address
from pathlib import Path
from threading import Condition
from time import monotonic, time
from types import ModuleType, SimpleNamespace
from typing import Any

import jsonschema
import mido
import pytest
from click.testing import CliRunner

from drillgen import disk
from drillgen.audio import tags
from drillgen.bank.soundfont_writer import timecents
from drillgen.cli import main
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import parse_drill
from drillgen.drill.schema import json_schema
from drillgen.errors import DrillgenError
from drillgen.midi import TrackEvent, _file, _part, _track
from drillgen.pack import files, folder, handout
from drillgen.pack.manifest import is_plain
from drillgen.pack.settings import Settings, _numbered
from drillgen.serve import door, server
from drillgen.sound import samples
from tests.taste.heard import heard


def on_windows(monkeypatch: pytest.MonkeyPatch, locking: object) -> ModuleType:
    """The module that locks as Windows would load it."""
    system = SimpleNamespace(LK_NBLCK=2, locking=locking)
    spec = importlib.util.spec_from_file_location("disk_on_windows", disk.__file__)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "platform", "win32")
        patch.setitem(sys.modules, "msvcrt", system)  # type: ignore[arg-type]
        spec.loader.exec_module(module)
    return module


def test_the_byte_that_windows_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody else can read what is locked there: so it is one byte, behind any text, and yet where
    a signed number of 32 bits reaches; whoever writes goes on from the beginning (Microsoft's C
    runtime: `_locking` takes the place of the file that is open, and so many bytes)."""
    locked: list[tuple[int, int, int]] = []

    def locking(descriptor: int, mode: int, count: int) -> None:
        locked.append((os.lseek(descriptor, 0, os.SEEK_CUR), mode, count))

    with (tmp_path / "any").open("w+b") as file:
        on_windows(monkeypatch, locking).lock(file.fileno())
        assert os.lseek(file.fileno(), 0, os.SEEK_CUR) == 0
    ((place, mode, count),) = locked
    assert 2**24 <= place <= 2**31 - 2 and (mode, count) == (2, 1)


def test_a_byte_that_is_locked_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`LK_NBLCK` fails at once with EACCES where another process has it, which means to wait."""

    def taken(*_: int) -> None:
        raise PermissionError

    with (tmp_path / "any").open("w+b") as file, pytest.raises(BlockingIOError):
        on_windows(monkeypatch, taken).lock(file.fileno())


@pytest.mark.parametrize(
    ("seconds", "cents"), [(1, 0), (2, 1200), (0.5, -1200), (0.25, -2400), (0, -12000)]
)
def test_an_envelope_is_told_in_timecents(seconds: float, cents: int) -> None:
    """1200 for each doubling of a second, -12000 for what comes at once (SoundFont 2.04, 8.1.3:
    attackVolEnv)."""
    assert timecents(seconds) == cents


def test_an_old_soundfont_goes_and_no_other(tmp_path: Path) -> None:
    """Of our own that lie in the cache, those of other versions that nobody has made for two days;
    never the one in use, however old, and nothing of anybody else's."""
    ages = {"drillgen-own-old.sf2": 2, "drillgen-own-new.sf2": 0, "drillgen-own-used.sf2": 9,
            "another.sf2": 9}  # fmt: skip
    for name, days in ages.items():
        (tmp_path / name).touch()
        os.utime(tmp_path / name, (time() - days * 24 * 3600,) * 2)
    samples._remove_old(tmp_path, "drillgen-own-used.sf2")
    assert {file.name for file in tmp_path.iterdir()} == ages.keys() - {"drillgen-own-old.sf2"}


def test_no_port_is_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which ones were tried is said, from the documented one on."""

    def taken(*_: Any, **__: Any) -> None:
        raise OSError(98, "Address already in use")

    monkeypatch.setattr(server, "PackServer", taken)
    with pytest.raises(server.ServeError, match="any port from 8000 to 80"):
        server.open_server(tmp_path, IPv4Address("127.0.0.1"))


@pytest.mark.parametrize(("waited", "left"), [([61], 0), ([5], 1), ([61, 61, 5, 0], 2), ([], 0)])
def test_who_waits_for_a_minute_is_sent_away(waited: list[float], left: int) -> None:
    """And nobody else, however many wait."""
    closed: list[float] = []
    queue = deque(
        (SimpleNamespace(since=monotonic() - seconds, connection=closing(closed, seconds)), None)
        for seconds in waited
    )
    any_door: Any = SimpleNamespace(_changed=Condition(), _answered={}, _waiting=queue)
    door.Door.send_away(any_door)
    assert len(queue) == left and all(seconds > 60 for seconds in closed)
    assert len(closed) == len(waited) - left


def closing(closed: list[float], seconds: float) -> SimpleNamespace:
    """A connection that tells when it is closed."""
    return SimpleNamespace(close=lambda: closed.append(seconds))


@pytest.mark.parametrize(("move", "may_be"), [(0, False), (1, True), (-5, True), (7, True)])
def test_a_cycle_that_does_not_move_is_none(move: int, may_be: bool) -> None:
    """An editor that reads the schema refuses it as the command does."""
    drill = {"progression": "I", "key_cycle": {"move": move}}
    assert jsonschema.Draft202012Validator(json_schema()).is_valid(drill) is may_be


@pytest.mark.parametrize("before", [0, 1, 2])
def test_lines_are_counted_from_one(before: int) -> None:
    """Empty ones as well, the first of the file among them."""
    with pytest.raises(DrillError) as caught:
        parse_drill("\n" * before + "progression: I | Q\n")
    assert f":{before + 1}:18:" in str(caught.value)


@pytest.mark.parametrize(
    ("count", "first"), [(1, "01 a"), (9, "01 a"), (99, "01 a"), (100, "001 a")]
)
def test_folders_are_numbered_so_that_they_sort(count: int, first: str) -> None:
    """By two digits, as on a record's sleeve, and by three only where there are a hundred."""
    assert _numbered(["a"] * count)[0] == first


@pytest.mark.parametrize(("seconds", "there_is"), [(0.1, 1), (3, 1), (0.09, 0), (3.2, 0)])
def test_rooms_that_music_is_played_in(seconds: float, there_is: int) -> None:
    """Halls for music die away in three seconds at most (common values of room acoustics)."""
    with nullcontext() if there_is else pytest.raises(DrillgenError, match=r"0\.1 to 3"):
        Settings(room=seconds).checked()


def test_what_is_wrong_in_a_file_is_no_crash(tmp_path: Path) -> None:
    """It ends with 2, as wrong arguments do (`docs/building.md`); a defect of Python's with 1."""
    (tmp_path / "any.yaml").write_text("progression: Q", "utf-8")
    assert CliRunner().invoke(main, ["check", str(tmp_path / "any.yaml")]).exit_code == 2


def test_half_a_file_is_swept_by_the_next_build(tmp_path: Path) -> None:
    """What a killed build has begun to write is known by its name."""
    with disk.whole_file(tmp_path / "any"):
        (part,) = tmp_path.iterdir()
        assert part in [path for pattern in folder._LEFT for path in tmp_path.glob(pattern)]


def test_half_a_zip_is_swept_by_the_next_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On another disk than its pack's it is copied first, under a name that is known again."""
    tried: list[str] = []

    def replace(path: Path, _: Path) -> None:
        tried.append(path.name)
        if len(tried) == 1:
            raise OSError(errno.EXDEV, "Invalid cross-device link")

    target = tmp_path / "pack.zip"
    (tmp_path / "room").mkdir()
    with monkeypatch.context() as patch:
        patch.setattr(files, "refuse_other_zip", lambda *_: None)
        patch.setattr(Path, "replace", replace)
        files._made_in(tmp_path / "room", tmp_path, target, [])
    left, other = tmp_path / tried[1], tmp_path / ".pack.zip.part-of-mine"
    left.touch()
    other.touch()
    files._sweep_parts(target)
    assert other.exists() and not left.exists()


def test_ticks_are_whole_parts_of_what_is_played() -> None:
    """Of thirty-second notes and of their triplets (Standard MIDI Files 1.0: division), and no more
    than 960 to a quarter, the most that common sequencers keep (common practice)."""
    ticks = heard().file.resolution
    assert ticks % (8 * 3) == 0 and ticks <= 960


def test_a_loop_is_played_at_the_pitch_that_it_has() -> None:
    """By a sampler's middle C, 60 (Multimedia Data Standards Update, 1994: `smpl`,
    dwMIDIUnityNote; a period in nanoseconds)."""
    _, _, _, _, period, key = struct.unpack("<4s5I", tags._loop(0, 44_100, 44_100)[:24])
    assert (period, key) == (22_676, 60)


@pytest.mark.parametrize("last", [0, 1919, 1920])
def test_a_track_of_a_file_ends_when_it_should(last: int) -> None:
    """Whenever its last note does (Standard MIDI Files 1.0: end of track)."""
    events = [TrackEvent(last, 0, bytes(mido.Message("note_off", note=40).bytes()))]
    file = mido.MidiFile(file=BytesIO(_file([_track(events, 1920)])))
    assert [sum(message.time for message in track) for track in file.tracks] == [1920]


@pytest.mark.parametrize(("start", "found"), [(8, 8), (9, 9), (10, 9), (12, 9)])
def test_a_note_lies_before_its_tracks_end(start: int, found: int) -> None:
    """A late one on its last tick, and nothing before that is moved (Standard MIDI Files 1.0: the
    end of a track is its last event)."""
    played = SimpleNamespace(start=start, duration=1, key=60, velocity=100)
    voice: Any = SimpleNamespace(part="line", level=0.0, channel=2, notes=[played])
    owner: Any = SimpleNamespace(level=0.0)
    ruler: Any = SimpleNamespace(tick=int)
    events = [each for each in _part(voice, owner, ruler, 10) if each.message[0] < 0xF0]
    assert [each.tick for each in events] == [found, found + 1]


def test_a_register_has_a_drill_of_one_track() -> None:
    """A row with its name, keys and tempo."""
    track = {"drill": "Thirds", "keys": ["C major"], "seconds": 61.0, "tempo": 120.0}
    row = handout._registered(3, [track], {})
    assert row[:3] == ("3", "Thirds", "C") and "120" in row[3]


@pytest.mark.parametrize(
    ("text", "plain"),
    [("Thirds", True), ("", True), ("♭", True), ("a\0b", False), ("\ud800", False)],
)
def test_a_name_that_a_file_may_have(text: str, plain: bool) -> None:
    """No zero byte (POSIX), no half of a surrogate pair (RFC 3629, 3)."""
    assert is_plain(text) is is_plain({"any": [text]}) is plain
