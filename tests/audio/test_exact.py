"""What comes back out of a file is what went in: the same samples, or the same places."""

from __future__ import annotations

import hashlib
import struct
from io import BytesIO
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import scipy
import soundfile

from drillgen.audio.formats import FORMATS, encode
from drillgen.audio.tags import Tags
from tests.audio.conftest import Piece
from tests.audio.helpers import LOSSLESS, LOSSY, RATE, TAGS, by_libav, music, write_wav
from tests.audio.readers import mp4_atoms, mp4_tags, ogg_pages
from tests.forking import cold

Sound = np.ndarray[Any, Any]
LENGTHS = (1152 * 4 - 1, 1152 * 4, 1024 * 5 + 1, 44100)  # about the frames of MP3 and AAC


def shift(reference: Sound, sound: Sound) -> int:
    """Samples by which `sound` is late, by cross-correlation."""
    size = min(len(reference), len(sound))
    alike = scipy.signal.correlate(sound[:size], reference[:size], method="fft")
    return int(np.argmax(alike)) - (size - 1)


def signal_to_noise(reference: Sound, sound: Sound) -> float:
    """In dB."""
    noise = np.sum((sound - reference) ** 2)
    return float(10 * np.log10(np.sum(reference**2) / noise))


def at_its_rate(samples: Sound, form: str) -> Sound:
    """The source at the rate that the form decodes to; Opus knows 48 kHz alone (RFC 7845, 5.1)."""
    scaled = samples / 32768
    return scipy.signal.resample_poly(scaled, 160, 147, axis=0) if form == "opus" else scaled


@pytest.mark.parametrize("form", LOSSLESS)
def test_lossless(piece: Piece, form: str) -> None:
    """libsndfile reads back every sample of a lossless format."""
    back, rate = soundfile.read(piece.files[form], dtype="int16")
    assert rate == RATE
    assert np.array_equal(back, piece.samples)


def test_flac_says_what_it_holds(piece: Piece) -> None:
    """STREAMINFO has the number of samples and the MD5 of the samples (RFC 9639, 8.2)."""
    raw = piece.files["flac"].read_bytes()
    assert raw[:4] == b"fLaC"
    assert raw[4] & 0x7F == 0  # STREAMINFO is the first block
    info = raw[8 : 8 + 34]
    assert int.from_bytes(info[13:18], "big") & (1 << 36) - 1 == len(piece.samples)
    assert info[18:] == hashlib.md5(piece.samples.tobytes()).digest()


@pytest.mark.parametrize("form", LOSSY)
def test_in_place(piece: Piece, form: str) -> None:
    """Decoded by libav, each channel is in its place to the sample, and clean.

    Clean: noise at least 15 dB below the signal for what is masked (about 13 dB is where a masked
    noise begins to be heard: Brandenburg and Johnston's "13 dB miracle", from memory).
    """
    back = by_libav(piece.files[form])
    reference = at_its_rate(piece.samples, form)
    for channel in (0, 1):
        assert shift(reference[:, channel], back[:, channel]) == 0
        size = min(len(back), len(reference))
        assert signal_to_noise(reference[:size, channel], back[:size, channel]) > 15


@pytest.mark.parametrize("form", ["mp3", "opus"])
def test_other_decoders(piece: Piece, form: str) -> None:
    """mpg123 and libopus (in libsndfile) find the same length and the same place."""
    back, _ = soundfile.read(piece.files[form])
    reference = at_its_rate(piece.samples, form)
    assert len(back) == len(reference)
    assert shift(reference[:, 0], back[:, 0]) == 0


@pytest.mark.parametrize("count", LENGTHS)
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("form", [name for name in FORMATS if name != "m4a"])
def test_length(tmp_path: Path, form: str, channels: int, count: int) -> None:
    """Mono and stereo of any length come back with that length: nothing before, nothing after.

    At 48 kHz that is the next whole sample.
    """
    wav = write_wav(tmp_path / "a.wav", music(count, channels))
    target = tmp_path / f"b{FORMATS[form].suffix}"
    encode(wav, target, form, Tags("A"))
    expected = -(-count * 160 // 147) if form == "opus" else count
    assert by_libav(target).shape == (expected, channels)


@pytest.mark.parametrize("count", LENGTHS)
def test_length_of_m4a(tmp_path: Path, count: int) -> None:
    """An AAC file's edit list begins behind one packet and has the sound's exact length.

    ISO/IEC 14496-12, 8.6.6: `elst` gives the duration in the movie's time scale and the media
    time that it begins at.  (libav cuts the beginning alone, so it is not asked.)  The free-form
    atom says the same, and all three numbers make up whole packets of 1024.
    """
    wav = write_wav(tmp_path / "a.wav", music(count))
    encode(wav, tmp_path / "b.m4a", "m4a", Tags("A"))
    raw = (tmp_path / "b.m4a").read_bytes()
    time_scale, movie = struct.unpack_from(">II", raw, raw.index(b"mvhd") + 16)
    assert (time_scale, movie) == (RATE, count)
    entries, duration, media_time = struct.unpack_from(">IIi", raw, raw.index(b"elst") + 8)
    assert (entries, duration, media_time) == (1, count, 1024)
    said = mp4_tags(tmp_path / "b.m4a")["com.apple.iTunes:iTunSMPB"][1].split()
    delay, padding, length = (int(number, 16) for number in said[1:4])
    assert (delay, length) == (1024, count)
    assert (delay + padding + length) % 1024 == 0
    assert 0 <= padding < 1024


def test_opus_pages(piece: Piece) -> None:
    """Pre-skip and the last granule position give the length (RFC 7845, 4.2, 4.4 and 5.1)."""
    raw = piece.files["opus"].read_bytes()
    skip, rate = struct.unpack_from("<HI", raw, raw.index(b"OpusHead") + 10)
    granules = [granule for granule, _, _ in ogg_pages(raw)]
    assert granules[:2] == [0, 0]  # the two header pages
    assert granules[-1] - skip == -(-len(piece.samples) * 160 // 147)
    assert rate in (0, RATE, 48000)  # the source's, or unsaid


def test_mp3_header_frame(piece: Piece) -> None:
    """The header frame says what libav's muxer says of the same sound by the same encoder.

    "Mp3 Info Tag rev 1 specifications" (LAME project): frames and bytes after the flags, delay
    and padding of 12 bits each at byte 141 from "Xing".
    """
    ours, theirs = piece.files["mp3"].read_bytes(), muxed_by_libav(piece.samples)
    at, there = ours.index(b"Xing"), theirs.index(b"Xing")
    assert ours[at + 141 : at + 144] == theirs[there + 141 : there + 144]
    assert ours[at + 8 : at + 12] == theirs[there + 8 : there + 12]
    head = ours.index(b"\xff\xfb")
    assert struct.unpack_from(">I", ours, at + 12)[0] == len(ours) - head


def test_mp3_header_check_sum(piece: Piece) -> None:
    """The header frame's last field is CRC-16/ARC of its first 190 bytes.

    The reference: the catalogue's check value for "123456789" is 0xBB3D.
    """

    def crc16(content: bytes) -> int:
        table = [0]
        for byte in range(1, 256):
            for _ in range(8):
                byte = byte >> 1 ^ 0xA001 * (byte & 1)
            table.append(byte)
        crc = 0
        for byte in content:
            crc = crc >> 8 ^ table[(crc ^ byte) & 255]
        return crc

    assert crc16(b"123456789") == 0xBB3D
    raw = piece.files["mp3"].read_bytes()
    head = raw.index(b"\xff\xfb")
    assert struct.unpack_from(">H", raw, head + 190)[0] == crc16(raw[head : head + 190])


def test_mp3_places(piece: Piece) -> None:
    """The table of places leads to within a 256th of where libav finds the packet of that time."""
    raw = piece.files["mp3"].read_bytes()
    head = raw.index(b"\xff\xfb")
    table = raw[raw.index(b"Xing") + 16 :][:100]
    with av.open(BytesIO(raw)) as file:
        packets = [packet.pos for packet in file.demux(audio=0) if packet.size]
    size = len(raw) - head
    for hundredth in range(1, 100):
        place = packets[len(packets) * hundredth // 100] - head
        assert abs(table[hundredth] / 256 - place / size) <= 1 / 256
    assert list(table) == sorted(table)


def test_same_bytes(piece: Piece, tmp_path: Path) -> None:
    """The same sound and tags give the same bytes, in this process and in another with another
    seed for its hashes."""
    elsewhere = (
        "import sys; from pathlib import Path; from drillgen.audio.formats import FORMATS, encode;"
        "from tests.audio.helpers import TAGS;"
        "[encode(Path(sys.argv[1]), Path(sys.argv[2]) / form, form, TAGS) for form in FORMATS]"
    )
    done = cold([str(piece.wav), str(tmp_path)], program=elsewhere, more={"PYTHONHASHSEED": "123"})
    assert done.returncode == 0, done.stderr
    for form in FORMATS:
        encode(piece.wav, tmp_path / "again", form, TAGS)
        wanted = piece.files[form].read_bytes()
        assert (tmp_path / "again").read_bytes() == wanted, form
        assert (tmp_path / form).read_bytes() == wanted, form


def test_no_chance_in_opus(piece: Piece, tmp_path: Path) -> None:
    """Every Ogg page of every file has one serial number: it is not drawn (RFC 3533, 6, lets it be
    any where streams are not put together)."""
    wav = write_wav(tmp_path / "other.wav", music(30000, 1))
    encode(wav, tmp_path / "other.opus", "opus", Tags("Other"))
    serials = {
        serial
        for path in (piece.files["opus"], tmp_path / "other.opus")
        for _, serial, _ in ogg_pages(path.read_bytes())
    }
    assert len(serials) == 1


def test_no_date_in_m4a(piece: Piece) -> None:
    """Creation and change of the movie, its tracks and their media are unsaid: 0.

    ISO/IEC 14496-12, 8.2.2, 8.3.2 and 8.4.2: after version and flags, 32 bits each in version 0.
    """
    raw = piece.files["m4a"].read_bytes()
    traks = [content for name, content in mp4_atoms(raw, "moov") if name == "trak"]
    dated = [dict(mp4_atoms(raw, "moov"))["mvhd"]]
    dated += [dict(mp4_atoms(trak))["tkhd"] for trak in traks]
    dated += [dict(mp4_atoms(trak, "mdia"))["mdhd"] for trak in traks]
    assert len(dated) == 5
    assert {(head[0], head[4:12]) for head in dated} == {(0, bytes(8))}


def muxed_by_libav(samples: Sound) -> bytes:
    """MP3 of the same effort and quality, with the header frame that libav writes."""
    out = BytesIO()
    options = {"compression_level": "5", "global_quality": str(2 * 118), "flags": "+qscale"}
    with av.open(out, "w", format="mp3") as file:
        stream: Any = file.add_stream("libmp3lame", rate=RATE, options=options)
        stream.codec_context.layout = "stereo"
        stream.codec_context.format = "s16p"
        frame = av.AudioFrame.from_ndarray(samples.reshape(1, -1), "s16", "stereo")
        frame.sample_rate = RATE
        file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    return out.getvalue()
