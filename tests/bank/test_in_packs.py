"""Our own basses in packs: where they play, what is said of them, and what may go wrong."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from statistics import mean, median
from typing import Any

import pytest
import soundfile
from click.testing import CliRunner

from drillgen.arrange import arrange
from drillgen.bank import make
from drillgen.chart import charts
from drillgen.cli import main
from drillgen.drill.lesson import load
from drillgen.drill.reader import parse_drill
from drillgen.errors import SoundError
from drillgen.pack.build import build as build_pack
from drillgen.pack.settings import Options
from drillgen.performance import perform
from drillgen.sound import soundfonts
from drillgen.sound.release import takes
from drillgen.sound.samples import own_soundfont
from drillgen.sound.schedule import by_font
from drillgen.sound.soundfonts import find_soundfonts
from tests.forking import Begun

DRILL = """\
title: Two bars
progression: ii7 | V7
key_cycle: [C]
tempo: 160
band: {drums: sticks, comping: piano, bass: walking}
line: guide tones
gaps: none
ending: none
"""


Here = Callable[[Path], dict[str, Any]]
_BARE = ("--no-sheets", "--no-page")


def started(folder: Path, cache: Path, *options: str) -> Begun:
    """A build of one small drill, where nobody has chosen a soundfont."""
    drill = folder / "two.yaml"
    drill.write_text(DRILL, "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("DRILLGEN_SOUNDFONT", raising=False)
        patch.setenv("DRILLGEN_CACHE", str(cache))
        return Begun(["build", str(drill), "-o", "pack", *_BARE, *options], folder, folder=folder)


def ended(build: Begun, folder: Path) -> dict[str, Any]:
    """The manifest of its pack."""
    said = build.communicate()
    assert build.returncode == 0, said
    loaded: dict[str, Any] = json.loads((folder / "pack" / "manifest.json").read_text("utf-8"))
    return loaded


def build(folder: Path, cache: Path, *options: str) -> dict[str, Any]:
    return ended(started(folder, cache, *options), folder)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A note cache of these tests' own."""
    return tmp_path_factory.mktemp("cache") / "cache"


@pytest.fixture(scope="module")
def first(
    tmp_path_factory: pytest.TempPathFactory, cache: Path
) -> list[tuple[Path, dict[str, Any]]]:
    """The folders of the first two builds, at a time, on a machine that has never made our own
    sounds, and their manifests; then our own soundfont lies in the cache."""
    folders = [tmp_path_factory.mktemp(name) for name in ("one", "other")]
    builds = [started(folder, cache) for folder in folders]
    return [(folder, ended(build, folder)) for folder, build in zip(folders, builds, strict=True)]


@pytest.fixture
def own(first: object, cache: Path) -> Path:
    """Our own soundfont: basses and drums, no piano."""
    [own] = (cache / "soundfonts").glob("*.sf2")
    return own


def test_whoever_needs_it_first_makes_it_once(
    first: list[tuple[Path, dict[str, Any]]], own: Path
) -> None:
    """Two builds at a time on a machine that has never made our own sounds: both are made, with the
    same sounds, and nothing but these and their lock lies in the cache."""
    one, other = (sorted(folder.rglob("*.wav")) for folder, _ in first)
    assert one and [a.read_bytes() for a in one] == [b.read_bytes() for b in other]
    assert len(list(own.parent.iterdir())) == 2


def test_nobody_chose_a_soundfont(first: list[tuple[Path, dict[str, Any]]]) -> None:
    """Where the machine's best soundfont is used, the bass is our own: the manifest and the notes
    name it with its licence, CC0."""
    folder, made = first[0]
    [track] = made["tracks"]
    assert track["own_sounds"]["licence"] == "CC0 1.0"
    assert track["own_sounds"]["sha256"] != track["soundfont"]["sha256"]
    [notes] = (folder / "pack").glob("*.txt")
    assert "Licence: CC0 1.0." in notes.read_text("utf-8")


def test_somebody_chose_a_soundfont(tmp_path: Path, cache: Path) -> None:
    """A soundfont that was asked for plays everything."""
    import pretty_midi  # carries a soundfont

    font = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"
    [track] = build(tmp_path, cache, "--soundfont", str(font))["tracks"]
    assert track["soundfont"]["name"] == "TimGM6mb"
    assert "own_sounds" not in track


def test_a_brush_never_stops(tmp_path: Path, cache: Path) -> None:
    """In a ballad's bars the drummer with brushes, of our own, is never more than 30 dB below his
    loudest stroke: a brush stays on the head from beat to beat (common practice)."""
    ballad = ("feel=ballad", "tempo=60", "count_in=1", "band={drums: brushes, comping: off}")
    options = [text for each in ballad for text in ("--set", each)]
    [track] = build(tmp_path, cache, "--stems", *options)["tracks"]
    assert track["own_sounds"]["licence"] == "CC0 1.0"
    sound, rate = soundfile.read(tmp_path / "pack" / track["files"]["stems"]["drums"])
    bars = sound[4 * rate : 12 * rate]  # two bars of four beats, after one that is counted
    window = rate // 20
    power = (bars[: len(bars) // window * window] ** 2).sum(axis=1).reshape(-1, window).mean(axis=1)
    assert power[2:-2].min() > power.max() / 1000


def test_a_soundfont_for_an_instrument(tmp_path: Path, cache: Path) -> None:
    """`--sound` chooses who plays an instrument; manifest and tags name all that are heard, and the
    strictest of their licences, here TimGM6mb's, for the whole."""
    sounds = ("--sound", "bass=TimGM6mb", "--sound", "drums=own")
    [track] = build(tmp_path, cache, *sounds)["tracks"]
    heard = [track["soundfont"], track["own_sounds"], *track.get("other_sounds", [])]
    assert {"TimGM6mb", "drillgen's own"} <= {font["name"] for font in heard}
    assert track["licence"] == "GPL-2"
    tagged = (tmp_path / "pack" / track["files"]["play-along"]).read_bytes()
    assert b"; together: GPL-2" in tagged
    assert "warnings" not in track


def test_one_that_lacks_an_instrument(tmp_path: Path, cache: Path, own: Path) -> None:
    """What a chosen soundfont lacks is played by the best other one that has it; command, manifest,
    notes and tags name both with their licences."""
    [track] = build(tmp_path, cache, "--soundfont", str(own))["tracks"]
    [other] = track["other_sounds"]
    assert other["sha256"] not in ("", track["soundfont"]["sha256"])
    said = f"has no General MIDI program 1; {other['name']} plays the comping part."
    assert any(said in warning for warning in track["warnings"])
    [notes] = (tmp_path / "pack").glob("*.txt")
    assert f"The sounds: {other['name']}. Licence: " in notes.read_text("utf-8")
    tagged = (tmp_path / "pack" / track["files"]["play-along"]).read_bytes()
    for font in (track["soundfont"], other):
        assert f"{font['name']}, {font['licence']}".encode() in tagged


def test_an_instrument_that_is_nowhere(
    tmp_path: Path,
    first: list[tuple[Path, object]],
    own: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An instrument that no soundfont has is an error before anything is rendered."""
    monkeypatch.setattr(soundfonts, "_folders", lambda: iter(()))
    with pytest.raises(SoundError, match="has no General MIDI program 1, which the comping part"):
        build_pack(load(first[0][0] / "two.yaml"), tmp_path / "none", Options(soundfont=str(own)))
    assert not list((tmp_path / "none").rglob("*.wav"))


@pytest.fixture
def here(tmp_path: Path, own: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Here]:
    """A build in this process, with a cache; where it makes our own soundfont it writes at once
    what the first builds have worked out."""
    content = own.read_bytes()
    monkeypatch.setattr(make, "written", lambda path: path.write_bytes(content))
    monkeypatch.delenv("DRILLGEN_SOUNDFONT", raising=False)
    (tmp_path / "two.yaml").write_text(DRILL, "utf-8")
    own_soundfont.cache_clear()  # as a process that begins

    def build_here(cache: Path) -> dict[str, Any]:
        monkeypatch.setenv("DRILLGEN_CACHE", str(cache))
        arguments = ["build", str(tmp_path / "two.yaml"), "-o", str(tmp_path / "pack"), *_BARE]
        done = CliRunner().invoke(main, arguments)
        assert done.exit_code == 0, done.output
        loaded: dict[str, Any] = json.loads((tmp_path / "pack" / "manifest.json").read_text())
        return loaded

    yield build_here
    own_soundfont.cache_clear()


def test_a_damaged_one_is_made_again(cache: Path, here: Here) -> None:
    """Our own soundfont is made again where the cache's was cut short, or is an older one; that
    goes when it is more than a day old, since another version may be playing it."""
    own = cache / "soundfonts"
    for file in own.glob("*.sf2"):
        file.write_bytes(file.read_bytes()[:1000])
    older, other = own / "drillgen-own-0123456789ab.sf2", own / "drillgen-own-ba9876543210.sf2"
    older.write_bytes(b"older")
    os.utime(older, (0, 0))
    other.write_bytes(b"another")
    assert "own_sounds" in here(cache)["tracks"][0]
    [left] = set(own.glob("*.sf2")) - {other}
    other.unlink()
    assert left.stat().st_size > 1_000_000


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_cache_that_cannot_be_written(tmp_path: Path, here: Here) -> None:
    """Where the cache cannot be written, a pack is made all the same."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=stat.S_IRUSR | stat.S_IXUSR)
    assert "own_sounds" in here(closed)["tracks"][0]


def test_a_cache_that_is_a_file(tmp_path: Path, here: Here) -> None:
    """Where a file stands in the cache's place, a pack is made all the same."""
    (tmp_path / "cache").write_text("not a folder", "utf-8")
    made = here(tmp_path / "cache")
    assert "own_sounds" in made["tracks"][0]
    sound, _ = soundfile.read(tmp_path / "pack" / made["tracks"][0]["files"]["play-along"])
    assert abs(sound).max() > 0.1


def test_dead_notes_are_plucked_on_a_damped_string() -> None:
    """What a walking bass strikes once more between two beats is a dead note (common practice): our
    own bass plays it from the banks that its soundfont's comment names for such (8 to 10), and all
    others from those of whole notes; for other players it is soft and short."""
    drill = DRILL.replace("tempo: 160", "tempo: 120\npasses: 12")
    played = perform(arrange(charts(parse_drill(drill))[0]))
    voice = next(voice for voice in played.voices if voice.part == "bass")
    dead = [note for note in voice.notes if note.manner == "dead"]
    alive = [note for note in voice.notes if not note.manner]
    assert 0.05 < len(dead) / len(voice.notes) < 0.35
    before = {after: note for note, after in pairwise(voice.notes)}
    assert all(before[note].key == note.key for note in dead)
    assert max(note.duration for note in dead) < min(0.15, median(n.duration for n in alive) / 2)
    assert mean(n.velocity for n in dead) < 0.85 * mean(n.velocity for n in alive)
    parts = {preset.bank: part.notes for part, preset in by_font(voice, find_soundfonts()[0])}
    assert parts == {0: tuple(alive), 8: tuple(dead)}


def test_a_ballad_s_bass_slides() -> None:
    """Now and then a bass in two slides into a note of a ballad (common practice), never at density
    0: not to an open string (E, A, D or G), nor from below the lowest, nor where it has just been.
    Our own bass plays it from the banks that its soundfont's comment names for such (16 to 18)."""
    slid = 0
    for key, density in (("Db", 1), ("Eb", 1), ("Ab", 0)):
        bass = f"{{kind: two-beat, density: {density}}}"
        drill = DRILL.replace("walking", bass).replace("[C]", f"[{key}]")
        drill = drill.replace("tempo: 160", "tempo: 60\nfeel: ballad\npasses: 16")
        played = perform(arrange(charts(parse_drill(drill))[0]))
        voice = next(voice for voice in played.voices if voice.part == "bass")
        notes = [(before, note) for before, note in pairwise(voice.notes) if note.manner == "slid"]
        assert all(note.key > 29 and note.key not in (33, 38, 43) for _, note in notes)
        assert all(before.key != note.key for before, note in notes if before.bar == note.bar)
        assert density or not notes
        parts = {preset.bank: part.notes for part, preset in by_font(voice, find_soundfonts()[0])}
        assert parts.get(16, ()) == tuple(note for _, note in notes)
        slid += len(notes)
    assert 4 <= slid <= 16  # of 64 bars


def test_no_note_is_played_twice_alike() -> None:
    """A key that is struck again is another take than before, whatever lies between."""
    keys = [40, 40, 43, 40, 43, 43, 40, 40]
    turns = list(takes(keys, 3))
    assert set(turns) == {0, 1, 2}
    for key in set(keys):
        own = [turn for each, turn in zip(keys, turns, strict=True) if each == key]
        assert all(one != other for one, other in pairwise(own))
