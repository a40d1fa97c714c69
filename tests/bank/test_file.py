"""The file itself, read by a reader of its own after the SoundFont specification 2.04."""

from __future__ import annotations

import hashlib
import os
import struct
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy._core import _multiarray_umath as core

from drillgen.errors import SoundError
from drillgen.sound.soundfont_file import check, outside
from tests import forking
from tests.bank.conftest import Said

# The pdta list's tables in the order that section 7.1 demands, with the size of a record.
TABLES = {
    "phdr": 38,
    "pbag": 4,
    "pmod": 10,
    "pgen": 4,
    "inst": 22,
    "ibag": 4,
    "imod": 10,
    "igen": 4,
    "shdr": 46,
}
KEY_RANGE, VELOCITY_RANGE, INSTRUMENT, SAMPLE, SAMPLE_MODES = 43, 44, 41, 53, 54  # 8.1.2


def chunks(data: bytes) -> dict[str, bytes]:
    """The chunks of a RIFF body; every length is even or padded, and nothing is left over."""
    found, at = {}, 0
    while at < len(data):
        kind, length = struct.unpack_from("<4sI", data, at)
        body = data[at + 8 : at + 8 + length]
        assert len(body) == length
        name = kind.decode() if kind != b"LIST" else body[:4].decode()
        found[name] = body if kind != b"LIST" else body[4:]
        at += 8 + length + length % 2
    assert at == len(data)
    return found


@pytest.fixture(scope="module")
def file(own: Path) -> dict[str, Any]:
    """INFO texts, samples as bytes, and each table as records."""
    data = own.read_bytes()
    kind, length, form = struct.unpack_from("<4sI4s", data)
    assert (kind, length, form) == (b"RIFF", len(data) - 8, b"sfbk")
    lists = chunks(data[12:])
    assert list(lists) == ["INFO", "sdta", "pdta"]  # section 4
    tables = chunks(lists["pdta"])
    assert list(tables) == list(TABLES)
    records = {}
    for name, size in TABLES.items():
        assert len(tables[name]) % size == 0
        records[name] = [tables[name][i : i + size] for i in range(0, len(tables[name]), size)]
    return {"info": chunks(lists["INFO"]), "smpl": chunks(lists["sdta"])["smpl"], **records}


def test_the_information_is_complete(file: dict[str, Any]) -> None:
    """Version, sound engine and name stand in INFO, texts end in a zero and are of even length
    (SoundFont 2.04, 5.1 to 5.3), and the copyright is CC0 with its address."""
    info = dict(file["info"])
    assert struct.unpack("<HH", info.pop("ifil")) == (2, 4)
    assert {"isng", "INAM", "ICOP"} <= info.keys()
    for text in info.values():
        assert text.endswith(b"\0")
        assert len(text) % 2 == 0
        assert len(text) <= 256  # 5.2 to 5.10; only comments may be longer
    assert b"CC0 1.0" in info["ICOP"]
    assert b"https://creativecommons.org/publicdomain/zero/1.0/" in info["ICOP"]


def test_tables_end_as_they_should(file: dict[str, Any]) -> None:
    """EOP, EOI and EOS end presets, instruments and samples (7.2, 7.6, 7.10), and the last bag
    points at the last generator and modulator (7.3, 7.7)."""
    for table, end in (("phdr", b"EOP"), ("inst", b"EOI"), ("shdr", b"EOS")):
        assert file[table][-1][:20].rstrip(b"\0") == end
    for letter in "pi":
        ends = len(file[f"{letter}gen"]) - 1, len(file[f"{letter}mod"]) - 1
        assert struct.unpack("<HH", file[f"{letter}bag"][-1]) == ends


def test_generators_stand_in_order(file: dict[str, Any]) -> None:
    """In each zone a key range comes first, a velocity range only after it, and what the zone
    plays last (8.1.2)."""
    for letter, last in (("p", INSTRUMENT), ("i", SAMPLE)):
        starts = [struct.unpack("<HH", bag)[0] for bag in file[f"{letter}bag"]]
        kinds = [struct.unpack("<HH", each)[0] for each in file[f"{letter}gen"]]
        for first, end in pairwise(starts):
            zone = kinds[first:end]
            assert zone[-1] == last
            assert zone.count(last) == 1
            assert KEY_RANGE not in zone[1:]
            assert VELOCITY_RANGE not in zone[1:] or zone[:2] == [KEY_RANGE, VELOCITY_RANGE]


def test_samples_keep_the_rules(file: dict[str, Any]) -> None:
    """Each sample is followed by 46 zeros at least (6.1); rate, key, loop and links are within
    the bounds of 7.10, and left and right name each other."""
    sound = memoryview(file["smpl"]).cast("h")
    heads = [struct.unpack("<20sIIIIIBbHH", record) for record in file["shdr"][:-1]]
    assert len({head[0] for head in heads}) == len(heads)  # names tell them apart
    for number, head in enumerate(heads):
        _, start, end, loop, loop_end, rate, key, _, link, kind = head
        assert 400 <= rate <= 50000
        assert key <= 127
        assert start + 8 <= loop < loop_end <= end - 8
        assert loop_end - loop >= 32
        assert not any(sound[end : end + 46])
        assert kind in (1, 2, 4)  # mono, right, left
        if kind != 1:
            assert heads[link][8] == number
            assert {kind, heads[link][9]} == {2, 4}
            assert heads[link][2] - heads[link][1] == end - start


def test_loops_have_no_seam(file: dict[str, Any]) -> None:
    """A looped sample is the same on both sides of its loop's ends (7.10: the eight points about
    a loop's start and end should be alike)."""
    sound = memoryview(file["smpl"]).cast("h")
    looped = 0
    starts = [struct.unpack("<HH", bag)[0] for bag in file["ibag"]]
    generators = [struct.unpack("<HH", each) for each in file["igen"]]
    for first, end in pairwise(starts):
        zone = dict(generators[first:end])
        if zone.get(SAMPLE_MODES):
            loop, loop_end = struct.unpack_from("<II", file["shdr"][zone[SAMPLE]], 28)
            assert sound[loop - 8 : loop + 8] == sound[loop_end - 8 : loop_end + 8]
            looped += 1
    assert looped >= 2  # both sides of the sweep


def test_no_sample_is_clipped(file: dict[str, Any]) -> None:
    """No two samples in a row stand at full scale."""
    full = np.abs(np.frombuffer(file["smpl"], "<i2").astype(int)) >= 32767
    assert not (full[1:] & full[:-1]).any()


def test_takes_are_banks(own: Path) -> None:
    """Upright (General MIDI program 33, 32 from 0) and electric bass have takes of notes, of dead
    notes and of slides; General MIDI 2's brush kit is program 40 of the percussion bank."""
    presets = outside(own).presets
    for program in (32, 33):
        assert {(bank, program) for bank in (0, 1, 2, 8, 9, 10, 16, 17, 18)} <= presets
    assert {(128, 40), (128, 41), (128, 42), (128, 0)} <= presets


def test_fluidsynth_has_nothing_to_say(own: Path, played: tuple[Any, Said]) -> None:
    """FluidSynth loads and plays the font without a warning, and our own check passes it."""
    note, said = played
    for bank, program, key in ((0, 32, 28), (1, 33, 55), (8, 32, 40), (16, 33, 45), (128, 40, 40)):
        assert abs(note(bank, program, key, 100, 0.2, 0.4)).max() > 0
    assert said.lines == []
    check(own)


def test_cut_short_it_is_refused(own: Path, tmp_path: Path) -> None:
    """The check that passes the font refuses its first half."""
    half = tmp_path / "half.sf2"
    half.write_bytes(own.read_bytes()[: own.stat().st_size // 2])
    with pytest.raises(SoundError, match="cut short"):
        check(half)


# NumPy uses what a processor can do where it finds it, and can be told not to ("CPU build
# options", NumPy's manual): then it reckons as on an older machine.


def test_every_machine_makes_the_same_file(own: Path, tmp_path: Path) -> None:
    """The command of its own, without the processor's newer instructions, makes the same bytes as
    a build does."""
    found = {name for name in core.__cpu_dispatch__ if core.__cpu_features__.get(name)}
    plain = {"NPY_DISABLE_CPU_FEATURES": " ".join(sorted(found)), "OPENBLAS_NUM_THREADS": "1"}
    other = tmp_path / "other.sf2"
    subprocess.run(
        [sys.executable, "-m", "drillgen.bank.make", str(other)],
        check=True,
        capture_output=True,
        env=os.environ | plain,
    )
    digests = [hashlib.sha256(file.read_bytes()).hexdigest() for file in (own, other)]
    assert digests[0] == digests[1]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "name one file"),
        (["own.wav"], "name one file"),
        (["nowhere/own.sf2"], "nowhere/own.sf2 cannot be written: No such file or directory."),
    ],
)
def test_one_sentence_where_it_cannot_be_made(
    tmp_path: Path, arguments: list[str], said: str
) -> None:
    """A wrong name or folder is one sentence and exit code 2, and nothing is written."""
    program = "from drillgen.bank.make import main; import sys; sys.exit(main(sys.argv[1:]))"
    done = forking.run(arguments, tmp_path, program=program)
    assert done.returncode == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
