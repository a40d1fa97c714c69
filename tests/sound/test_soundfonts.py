"""Which soundfont is found, chosen, and refused."""

from __future__ import annotations

import hashlib
import os
import random
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from drillgen.cli import main
from drillgen.errors import SoundError
from drillgen.sound import soundfonts
from drillgen.sound.known_soundfonts import strictest
from drillgen.sound.soundfont_file import outside, sha256_of
from drillgen.sound.soundfonts import (
    choose,
    damaged_soundfonts,
    find_soundfonts,
    who_plays,
)
from tests.pack.conftest import embedded_soundfont


def chunk(kind: bytes, content: bytes) -> bytes:
    """A RIFF chunk (SoundFont 2.04, section 2): kind, length, content, padded to even."""
    return kind + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def soundfont(
    name: str = "Test", rights: str = "", presets: tuple[tuple[int, int], ...] = ()
) -> bytes:
    """The outside of a SoundFont 2 file: enough to be found, nothing to be heard."""
    info = chunk(b"INAM", name.encode() + b"\0") + chunk(b"ICOP", rights.encode() + b"\0")
    records = [
        struct.pack("<20sHHHIII", b"x", program, bank, 0, 0, 0, 0)
        for bank, program in (*presets, (0, 0))
    ]
    lists = [
        b"INFO" + info,
        b"sdta" + chunk(b"smpl", b"\0" * 8),
        b"pdta" + chunk(b"phdr", b"".join(records)),
    ]
    return chunk(b"RIFF", b"sfbk" + b"".join(chunk(b"LIST", content) for content in lists))


@pytest.fixture
def places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Path]:
    """A machine with four places for soundfonts and nothing in them."""
    folders = {name: tmp_path / name for name in ("project", "own", "system")}
    for folder in folders.values():
        folder.mkdir()
    monkeypatch.delenv("DRILLGEN_SOUNDFONT", raising=False)
    monkeypatch.setattr(
        soundfonts,
        "_folders",
        lambda: iter(
            [
                ("project", folders["project"]),
                ("own", folders["own"]),
                ("shared", folders["system"]),
            ]
        ),
    )
    return folders | {"top": tmp_path}


def test_order(places: dict[str, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Each place comes before the next: asked for, environment, project, own, system."""
    (places["system"] / "FluidR3_GM.sf2").write_bytes(soundfont("Fluid R3 GM"))
    assert choose().soundfont.name == "FluidR3 GM"
    (places["own"] / "mine.sf2").write_bytes(soundfont("Mine"))
    assert choose().soundfont.name == "Mine"
    (places["project"] / "ours.sf3").write_bytes(soundfont("Ours"))
    assert choose().soundfont.name == "Ours"
    (places["top"] / "named.sf2").write_bytes(soundfont("Named"))
    monkeypatch.setenv("DRILLGEN_SOUNDFONT", str(places["top"] / "named.sf2"))
    assert choose().soundfont.name == "Named"
    assert choose("fluidr3_gm").soundfont.name == "FluidR3 GM"
    assert choose(str(places["own"] / "mine.sf2")).soundfont.name == "Mine"
    assert [font.name for font in find_soundfonts()] == ["Named", "Ours", "Mine", "FluidR3 GM"]


def test_the_better_one_within_a_place(places: dict[str, Path]) -> None:
    """On a system: FluidR3 before the public-domain GMbank before TimGM6mb before unknown ones."""
    names = ["zz.sf2", "TimGM6mb.sf2", "sf_GMbank.sf2", "FluidR3_GM.sf2"]
    for name in names:
        (places["system"] / name).write_bytes(soundfont(name))
    order = [font.path.name for font in find_soundfonts()]
    assert order == ["FluidR3_GM.sf2", "sf_GMbank.sf2", "TimGM6mb.sf2", "zz.sf2"]
    assert choose().why.startswith("it is the best that this machine has")


def test_better_ones_are_named(places: dict[str, Path]) -> None:
    """With nothing but the small soundfont of a Python package, one line says how to get a better
    one; with GMbank, or where somebody chose, none."""
    names = {"TimGM6mb": True, "sf_GMbank": False}
    for name, poor in names.items():
        (places["system"] / f"{name}.sf2").write_bytes(soundfont(name))
        said = CliRunner().invoke(main, ["soundfonts"]).output
        assert ("A better soundfont is free" in said) == poor, said
    (places["own"] / "hers.sf2").write_bytes(soundfont("Hers"))
    assert "A better" not in CliRunner().invoke(main, ["soundfonts"]).output


def test_licences(places: dict[str, Path]) -> None:
    """Licences are those of Debian's copyright files; an unknown file is quoted.  What goes by its
    name alone is said to do so, and is never taken for public domain.

    csound-soundfont: public domain; fluid-soundfont-gm: MIT; timgm6mb-soundfont: GPL-2.
    """
    for name in ("TimGM6mb", "sf_GMbank", "FluidR3_GM"):
        (places["system"] / f"{name}.sf2").write_bytes(soundfont(name))
    (places["own"] / "hers.sf2").write_bytes(soundfont("Hers", "for her\x1b[31m friends only"))
    found = {font.path.stem: font for font in find_soundfonts()}
    assert found["FluidR3_GM"].licence == "MIT, by its name, unchecked"
    assert found["TimGM6mb"].licence == "GPL-2, by its name, unchecked"
    assert found["sf_GMbank"].licence == "public domain, by its name, unchecked"
    assert not any(font.public_domain for font in found.values())
    assert found["hers"].licence == "unknown; the file says: for her [31m friends only"


def test_brushes_are_seen(places: dict[str, Path]) -> None:
    """A brush kit is percussion bank 128, program 40 (General MIDI 2 and Roland GS)."""
    (places["own"] / "with.sf2").write_bytes(soundfont("With", presets=((128, 0), (128, 40))))
    (places["own"] / "without.sf2").write_bytes(soundfont("Without", presets=((128, 0), (0, 40))))
    assert [font.plays(True, 40) for font in find_soundfonts()] == [True, False]


def test_nothing_there(places: dict[str, Path]) -> None:
    """No soundfont at all: one sentence that says what to do."""
    del places
    with pytest.raises(SoundError, match=r"^No soundfont was found: put an \.sf2"):
        choose()


def test_asked_for_what_is_not_there(places: dict[str, Path]) -> None:
    """A name that is nearly right gets the right one offered, as the list of soundfonts has it."""
    (places["own"] / "sf_GMbank.sf2").write_bytes(soundfont("x"))
    for slip in ("sf_GMbnk", "GMbnk"):
        with pytest.raises(SoundError, match=r"did you mean GMbank\.$"):
            choose(slip)
    assert choose("GMbank").soundfont.path.name == "sf_GMbank.sf2"


def test_each_name_is_offered_once(places: dict[str, Path]) -> None:
    """Where nothing is near, the names are listed, one that two files have only once."""
    for folder, file in (("own", "TimGM6mb"), ("system", "TimGM6mb"), ("system", "hers")):
        (places[folder] / f"{file}.sf2").write_bytes(soundfont("Hers"))
    with pytest.raises(SoundError, match=r"found were TimGM6mb, Hers\.$"):
        choose("nope")


@pytest.mark.parametrize("kept", [0, 3, 11, 12, 40, 150])
def test_truncated(places: dict[str, Path], kept: int) -> None:
    """A soundfont cut short is refused in words when asked for, and passed over otherwise."""
    whole = soundfont("Short", presets=((0, 0), (128, 0)))
    path = places["project"] / "short.sf2"
    path.write_bytes(whole[:kept])
    with pytest.raises(SoundError, match=r"short\.sf2 is"):
        choose(str(path))
    assert find_soundfonts() == ()
    (said,) = damaged_soundfonts()
    assert str(path) in said
    with pytest.raises(SoundError, match=r"No soundfont was found: .*short\.sf2 is"):
        choose()


def test_damaged_ones_are_named(places: dict[str, Path]) -> None:
    """What is left out is named with what is wrong with it; a whole one is not."""
    whole = soundfont("Whole", presets=((0, 0),))
    for name, content in (("a", whole), ("b", whole[:-20]), ("c", b"<html>"), ("d", whole)):
        (places["project"] / f"{name}.sf2").write_bytes(content)
    said = damaged_soundfonts()
    assert len(said) == 2
    assert "b.sf2 is cut short" in said[0] and "c.sf2 is not a soundfont" in said[1]


@pytest.mark.parametrize("said", [-4, 4, 100, 2**31])
def test_a_size_that_is_none(places: dict[str, Path], said: int) -> None:
    """A file is as long as its head says (SoundFont 2.04, section 4, and the RIFF that it is built
    on: FluidSynth refuses any other), or it is passed over, and a whole one is used."""
    whole = soundfont("Whole", presets=((0, 0),))
    length = int.from_bytes(whole[4:8], "little") + said
    (places["project"] / "lying.sf2").write_bytes(
        whole[:4] + length.to_bytes(4, "little") + whole[8:]
    )
    (places["system"] / "whole.sf2").write_bytes(whole)
    assert choose().soundfont.path.name == "whole.sf2"
    (said_of_it,) = damaged_soundfonts()
    assert f"says that it has {length + 8} bytes, but has {len(whole)}" in said_of_it


def test_malicious(places: dict[str, Path]) -> None:
    """Bytes changed at random: a soundfont or a plain refusal, never anything else."""
    whole = bytearray(soundfont("Evil", "me", ((0, 0), (128, 0))))
    path = places["project"] / "evil.sf2"
    chance = random.Random(7)
    for _ in range(400):
        changed = bytearray(whole)
        for _ in range(chance.randint(1, 6)):
            changed[chance.randrange(len(changed))] = chance.choice((0, 1, 127, 255))
        path.write_bytes(changed)
        try:
            assert len(outside(path).name) <= len(changed)
        except SoundError as error:
            assert "evil.sf2" in str(error)


def test_the_embedded_one_is_found_without_an_import() -> None:
    """pretty_midi's soundfont is found, and pretty_midi, pygame and numpy stay unimported."""
    program = (
        "import sys\n"
        "from drillgen.sound.soundfonts import find_soundfonts\n"
        "print([f.path.name for f in find_soundfonts()])\n"
        "print(sorted({'pretty_midi', 'pygame', 'numpy', 'fluidsynth'} & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    found, imported = done.stdout.splitlines()
    assert "TimGM6mb.sf2" in found
    assert imported == "[]"


def test_checksum(tmp_path: Path) -> None:
    """A remembered checksum is dropped when the file changes (hashlib is the judge)."""
    path = tmp_path / "a.sf2"
    for content in (b"one", b"another"):
        path.write_bytes(content)
        for _ in range(2):
            assert sha256_of(path) == hashlib.sha256(content).hexdigest()


def test_a_folder_that_may_not_be_looked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A soundfonts folder that belongs to somebody else is passed over; the others are looked at.

    (Permissions do not hold root back, so the refusal is made up.)"""
    looked_into = Path.iterdir

    def refused(folder: Path) -> Iterator[Path]:
        if folder == tmp_path / "soundfonts":
            raise PermissionError(13, "Permission denied", str(folder))
        return iter(looked_into(folder))

    (tmp_path / "soundfonts").mkdir()
    monkeypatch.chdir(tmp_path)
    before = find_soundfonts()
    monkeypatch.setattr(Path, "iterdir", refused)
    assert find_soundfonts() == before


@pytest.mark.parametrize("name", ["sf_GMbank", "FluidR3_GM", "mine"])
def test_a_known_file_under_another_name(places: dict[str, Path], name: str) -> None:
    """The soundfont that pretty_midi carries (TimGM6mb, which stands under the GPL 2 by Debian's
    timgm6mb-soundfont) is known by its content, whatever somebody calls it."""
    (places["own"] / f"{name}.sf2").write_bytes(embedded_soundfont().read_bytes())
    [font] = find_soundfonts()
    assert (font.name, font.licence, font.public_domain) == ("TimGM6mb", "GPL-2", False)
    assert "public domain" not in choose().why


def test_a_damaged_memory_of_checksums(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever bit of the remembered checksums flips, the right one is told (hashlib is the
    judge)."""
    monkeypatch.setenv("DRILLGEN_CACHE", str(tmp_path / "cache"))
    path = tmp_path / "a.sf2"
    path.write_bytes(b"one")
    right = hashlib.sha256(b"one").hexdigest()
    assert sha256_of(path) == right
    book = tmp_path / "cache" / "checksums.json"
    whole = book.read_bytes()
    for place in range(len(whole)):
        book.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        assert sha256_of(path) == right


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
@pytest.mark.parametrize(
    ("size", "said"), [(0, "is not a soundfont"), ((1 << 32) + 9, "none can be larger than 4 GB")]
)
def test_empty_and_huge(places: dict[str, Path], size: int, said: str) -> None:
    """An empty file, and one longer than RIFF's 32 bits can say (Multimedia Programming Interface
    1.0, 1991), are left out and named; no time is spent on reading them."""
    file = places["own"] / "odd.sf2"
    file.write_bytes(soundfont()[:size])
    os.truncate(file, size)  # a sparse file takes no room
    assert not find_soundfonts()
    [trouble] = damaged_soundfonts()
    assert trouble.startswith(str(file)) and said in trouble


def test_a_pipe_is_no_soundfont(places: dict[str, Path]) -> None:
    """What cannot be read to its end is refused at once."""
    os.mkfifo(places["top"] / "pipe.sf2")
    with pytest.raises(SoundError, match="is no file"):
        choose(str(places["top"] / "pipe.sf2"))


def test_each_instrument_by_how_it_measures(
    places: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of soundfonts that nobody chose each plays what measures best in it; one under the GPL only
    what the free ones lack; an own bass all the same; one that somebody chose all that it has."""
    facts = {"fluidr3gm": (0, 11), "sfgmbank": (0, 11, 65), "timgm6mb": (0, 11, 65, 73)}
    known = {}
    for start, programs in facts.items():
        content = soundfont(start, presets=tuple((0, program) for program in programs))
        (places["system"] / f"{start}.sf2").write_bytes(content)
        known[hashlib.sha256(content).hexdigest()] = start
    monkeypatch.setattr(soundfonts, "BY_CONTENT", known)
    played = {what: name for what, name, *_ in who_plays(choose().soundfont)}
    assert played["piano"] == "FluidR3 GM"  # 2.7 s of each note against 0.6 s
    assert played["vibraphone"] == "GMbank"  # keys 0.6 dB apart against 8.3 dB
    assert played["alto saxophone"] == "GMbank"
    assert played["flute"] == "TimGM6mb"
    assert played["upright"] == "drillgen's own"
    asked = {what: name for what, name, *_ in who_plays(choose("TimGM6mb").soundfont)}
    assert asked["vibraphone"] == asked["flute"] == "TimGM6mb"


def test_the_strictest_licence() -> None:
    """Public domain asks less than MIT's notice, that less than the copyleft of GPL-2 (section 2b);
    what nobody says is all its maker's (Berne Convention, article 5(2)); what only a name says is
    less sure than the same of known content."""
    order = ["public domain", "MIT", "MIT, by its name, unchecked", "GPL-2", "unknown; the file …"]
    for n in range(1, len(order)):
        assert strictest(order[:n]) == strictest(reversed(order[:n])) == order[n - 1]


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("{bass: GMbnak}", ':3:16: sounds.bass: no soundfont is called "GMbnak"; allowed: own, '),
        ("{basss: own}", ':3:10: sounds.basss: "basss" is not a key of sounds; allowed: bass, '),
        ("{bass: [own]}", ":3:16: sounds.bass: a list is not a text; allowed: a text"),
        ("own", ':3:9: sounds: "own" does not fit here; allowed: a mapping of instruments'),
    ],
)
def test_sounds_that_there_are_not(places: dict[str, Path], written: str, said: str) -> None:
    """A soundfont or instrument that `sounds` names and that is not there: file, line, column and
    what was meant, before anything is made."""
    (places["system"] / "sf_GMbank.sf2").write_bytes(soundfont("GMbank"))
    drill = places["top"] / "one.yaml"
    drill.write_text(f"title: One\nprogression: ii7 | V7\nsounds: {written}\n", "utf-8")
    done = CliRunner().invoke(main, ["build", str(drill), "-o", str(places["top"] / "pack")])
    assert done.exit_code == 2
    assert f"{drill}{said}" in done.output
    assert written != "{bass: GMbnak}" or 'did you mean "GMbank"?' in done.output
    assert not (places["top"] / "pack").exists()
