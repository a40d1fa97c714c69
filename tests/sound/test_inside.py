"""Soundfonts whose inner tables lie."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drillgen.bank.soundfont_writer import FontInstrument, FontPreset, Info, Sample, Zone
from drillgen.bank.soundfont_writer import soundfont as soundfont_of
from drillgen.errors import SoundError
from drillgen.sound.fluidsynth import Synth
from drillgen.sound.soundfont_file import check, outside
from drillgen.sound.soundfonts import Soundfont, choose, find_soundfonts
from tests import forking
from tests.sound.test_soundfonts import soundfont

# Tables of the pdta list and the size of their records (SoundFont 2.04, 7.2 to 7.10).
SIZES = {"phdr": 38, "pbag": 4, "pmod": 10, "pgen": 4, "inst": 22, "ibag": 4, "imod": 10, "igen": 4}
SIZES["shdr"] = 46
EMBEDDED = next(font for font in find_soundfonts() if font.path.parent.name == "pretty_midi")


def place(content: bytes | bytearray, table: str) -> tuple[int, int]:
    """First byte and length of a table."""
    at = content.index(table.encode(), content.index(b"pdta"))
    return at + 8, struct.unpack_from("<I", content, at + 4)[0]


def compressed(padded: bool) -> bytes:
    """A soundfont of one sine in Ogg Vorbis, as SF3 has it: offsets count bytes, type 0x10."""
    sine = np.sin(2 * np.pi * 440 * np.arange(44100) / 44100)
    plain = Sample("sine", np.asarray(sine * 20000, np.int16), 44100, 69)
    tune = FontInstrument("sine", (Zone(plain, {"keyRange": (0, 127)}),))
    content = soundfont_of([FontPreset("sine", 0, 0, tune)], Info("Small", "", "", "", ""))
    ogg = io.BytesIO()
    soundfile.write(ogg, sine, 44100, format="OGG", subtype="VORBIS")
    packed = ogg.getvalue()
    packed += b"\1" * (1 - len(packed) % 2)  # an odd length
    lists = {content[at + 8 : at + 12]: at for at in _lists(content)}
    tables = bytearray(content[lists[b"pdta"] :])
    at, _ = place(b"pdta" + tables, "shdr")
    struct.pack_into("<II", tables, at - 4 + 20, 0, len(packed))
    struct.pack_into("<H", tables, at - 4 + 44, 0x10 | 1)
    samples = b"sdta" + b"smpl" + struct.pack("<I", len(packed)) + packed + b"\0" * padded
    sdta = b"LIST" + struct.pack("<I", len(samples)) + samples
    body = b"sfbk" + content[12 : lists[b"sdta"]] + sdta + tables
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _lists(content: bytes) -> Iterator[int]:
    at = 12
    while at < len(content):
        yield at
        length = struct.unpack_from("<I", content, at + 4)[0]
        at += 8 + length + length % 2


@pytest.mark.parametrize("padded", [True, False])
def test_sf3_plays(tmp_path: Path, padded: bool) -> None:
    """A soundfont compressed as SF3 plays in tune (440 Hz, ISO 16), also where the pad byte that
    RIFF asks for behind an odd chunk is left out, as by musescore-general-soundfont-small."""
    path = tmp_path / "small.sf3"
    path.write_bytes(compressed(padded))
    assert outside(path).presets == {(0, 0)}
    with Synth(path) as synth:
        assert synth.select(False, 0)
        sound = synth.note(False, 69, 100, 22050, 22050)[0]
    if np.abs(sound).max() < 1e-4:
        pytest.skip("this FluidSynth was built without libsndfile: it cannot decode Vorbis")
    spectrum = np.abs(np.fft.rfft(sound[4410:] * np.hanning(len(sound) - 4410)))
    assert np.argmax(spectrum) * 44100 / (len(sound) - 4410) == pytest.approx(440, abs=3)


def refused(folder: Path, content: bytes | bytearray) -> str:
    path = folder / "evil.sf2"
    path.write_bytes(content)
    with pytest.raises(SoundError) as error, Synth(path):
        pass
    return str(error.value)


@pytest.mark.parametrize("font", find_soundfonts(), ids=lambda font: font.path.stem)
def test_honest_ones_pass(font: Soundfont) -> None:
    """What is installed is not refused."""
    check(font.path)


@pytest.mark.parametrize(
    ("table", "field", "layout"),
    [
        ("phdr", 24, "<H"),  # wPresetBagNdx
        ("pbag", 0, "<H"),  # wGenNdx
        ("pbag", 2, "<H"),  # wModNdx
        ("inst", 20, "<H"),  # wInstBagNdx
        ("ibag", 0, "<H"),
        ("ibag", 2, "<H"),
        ("shdr", 20, "<I"),  # dwStart
        ("shdr", 24, "<I"),  # dwEnd
    ],
)
def test_indices_beyond_the_end(tmp_path: Path, table: str, field: int, layout: str) -> None:
    """An index of the second record that points beyond the next table is refused in words."""
    content = bytearray(EMBEDDED.path.read_bytes())
    largest = (1 << 8 * struct.calcsize(layout)) - 1
    struct.pack_into(layout, content, place(content, table)[0] + SIZES[table] + field, largest)
    assert "evil.sf2 cannot be used as a soundfont: " in refused(tmp_path, content)


@pytest.mark.parametrize(("table", "kind"), [("pgen", 41), ("igen", 53)])
def test_generators_beyond_the_end(tmp_path: Path, table: str, kind: int) -> None:
    """So is a zone that names an instrument or a sample that there is not (8.1.2, 41 and 53)."""
    content = bytearray(EMBEDDED.path.read_bytes())
    first, length = place(content, table)
    records = range(first, first + length, 4)
    at = next(r for r in records if struct.unpack_from("<H", content, r)[0] == kind)
    struct.pack_into("<H", content, at + 2, 65535)
    assert f"its table {table} points beyond" in refused(tmp_path, content)


@pytest.mark.parametrize("table", SIZES)
def test_a_table_that_is_not_whole(tmp_path: Path, table: str) -> None:
    """So is a table that is missing, or ends within a record."""
    content = EMBEDDED.path.read_bytes()
    at = place(content, table)[0] - 8
    assert f"table {table} is missing" in refused(
        tmp_path, content[:at] + b"none" + content[at + 4 :]
    )


def test_hollow(tmp_path: Path) -> None:
    """So is a file with a list of presets and nothing behind it."""
    (tmp_path / "hollow.sf2").write_bytes(soundfont("Hollow", presets=((0, 0), (128, 0))))
    font = choose(str(tmp_path / "hollow.sf2")).soundfont
    with pytest.raises(SoundError, match=r"hollow\.sf2 cannot be used as a soundfont"):
        check(font.path)


_FUZZ = """\
import random, struct, sys
from pathlib import Path
from drillgen.errors import SoundError
from drillgen.sound.fluidsynth import Synth
from tests.sound.test_inside import EMBEDDED, place
whole, path = EMBEDDED.path.read_bytes(), Path(sys.argv[1])
played = 0
for seed in range(30):
    chance, content = random.Random(seed), bytearray(whole)
    for _ in range(chance.randint(1, 3)):
        first, length = place(content, chance.choice("pgen igen shdr pmod imod ibag".split()))
        place_ = first + chance.randrange(min(length, 4000))
        content[place_] = chance.choice((0, 1, 2, 127, 128, 254, 255, chance.randrange(256)))
    path.write_bytes(content)
    try:
        with Synth(path) as synth:
            for percussion, program in ((False, 0), (False, 32), (True, 0)):
                if synth.select(percussion, program):
                    for key in (36, 40, 60, 72):
                        synth.note(percussion, key, 90, 4096, 8192)
        played += 1
    except SoundError:
        pass
print(played)
"""


def test_changed_at_random(tmp_path: Path) -> None:
    """Tables with bytes changed at random are refused or played; the process never crashes."""
    done = forking.run([str(tmp_path / "evil.sf2")], program=_FUZZ)
    assert done.returncode == 0, done.stderr
    assert 5 < int(done.stdout) < 30
