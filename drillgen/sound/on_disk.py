"""Sound on disk: what was rendered, kept between runs, and WAV files.

What is kept has one file an entry, named by the SHA-256 of all that its samples depend on.  Entries
are written whole and carry checksums of their facts and of their samples, so that many processes
may share the folder, and a damaged entry is made again, never played.  What was used longest ago
goes when the folder grows too big.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import struct
import threading
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from drillgen.disk import cache_dir, is_regular, whole_file, write_at
from drillgen.errors import SoundError, reason, remark
from drillgen.sound.fluidsynth import HOP, RATE, Samples

LIMIT = 1 << 30  # bytes
_FORMAT = 5  # counts up when the meaning of an entry changes
_HEAD = struct.Struct("<8sII")  # mark, CRC-32 of the facts and their length, bytes of the facts
_SUM = struct.Struct("<I")  # behind the facts: CRC-32 of the samples
_ALIGNED = 16  # bytes: where samples may begin
_MOST_FACTS, _MOST = 1 << 20, 64 << 20  # bytes; ours have some hundreds, and 11 million at most
_HALF_DONE = 3600.0  # seconds after which a file that is not finished is nobody's any more
_MARK = b"drillsnd"
NOTHING: Samples = np.zeros((1, 0), np.float32)
Entry = tuple[dict[str, Any], Samples]
_FRESH = 86400.0  # seconds: how exactly the last use is recorded


class Store:
    """Entries of one soundfont and one synthesiser: facts (JSON) with samples, or without."""

    def __init__(self, group: str, limit: int = LIMIT) -> None:
        self._top = cache_dir() / "notes"
        self._folder = self._top / hashlib.sha256(f"{_FORMAT} {group}".encode()).hexdigest()[:24]
        self._limit = limit

    def facts(self, address: str) -> dict[str, Any] | None:
        """The facts of an entry alone, without a look at its samples; None if it is not there."""
        path = self._path(address)
        if (held := _memory.get(path)) is not None:
            return held[0]
        try:
            if not is_regular(path):
                raise FileNotFoundError
            with path.open("rb") as file:
                return _facts(file)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, struct.error):
            self._remark_damage()
            return None

    def get(self, address: str) -> Entry | None:
        """Facts and samples, shape (channels, n), of an entry; None if it is not there whole."""
        path = self._path(address)
        if (held := _memory.get(path)) is not None:
            return held
        if not is_regular(path):
            return None
        try:
            state = path.stat()
            entry = _unpacked(path.read_bytes() if state.st_size <= _MOST else b"")
            if time.time() - state.st_mtime > _FRESH:
                os.utime(path)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, struct.error):
            self._remark_damage()
            return None
        return _memory.put(path, entry)

    def _remark_damage(self) -> None:
        """An entry is there, and of no use."""
        remark(
            f"something in the cache of rendered notes was damaged, and was made again; {self._top}"
            " may be deleted at any time"
        )

    def put(self, address: str, facts: dict[str, Any], samples: Samples = NOTHING) -> bool:
        """Keep an entry; False where the folder cannot be written."""
        facts = facts | dict(zip(("channels", "count"), samples.shape, strict=True))
        text = json.dumps(facts).encode("utf-8")
        text += b" " * (-(_HEAD.size + len(text) + _SUM.size) % _ALIGNED)
        body = np.ascontiguousarray(samples, "<f4").data
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with whole_file(self._path(address)) as file:
                file.write(_HEAD.pack(_MARK, _check(text), len(text)))
                file.write(text)
                file.write(_SUM.pack(zlib.crc32(body)))
                file.write(body)
        except OSError:
            return False
        _memory.put(self._path(address), (facts, samples))
        return True

    def trim(self) -> None:
        """Remove what was used longest ago until everything fits, with some room to spare; and what
        killed writers have left."""
        files = []
        old = time.time() - _HALF_DONE
        with contextlib.suppress(OSError):
            for path in self._top.glob("*/*"):
                state = path.lstat()
                if path.name.startswith(".part-") and state.st_mtime < old:
                    path.unlink(missing_ok=True)
                else:
                    files.append((state.st_mtime, state.st_size, path))
        total = sum(size for _, size, _ in files)
        if total <= self._limit:
            return
        for _, size, path in sorted(files):
            with contextlib.suppress(OSError):
                path.unlink()
            total -= size
            if total <= self._limit * 0.8:
                break

    def _path(self, address: str) -> Path:
        return self._folder / hashlib.sha256(address.encode()).hexdigest()[:32]


class _Memory:
    """Entries that stay in memory for the next track: the last used, within bounds."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._lock = threading.Lock()
        self._bytes = 0
        self._entries: dict[Path, Entry] = {}

    def get(self, path: Path) -> Entry | None:
        return self._entries.get(path)

    def put(self, path: Path, entry: Entry) -> Entry:
        with self._lock:
            self._drop(path)
            while self._entries and self._bytes + entry[1].nbytes > self._limit:
                self._drop(next(iter(self._entries)))
            self._bytes += entry[1].nbytes
            self._entries[path] = entry
        return entry

    def clear(self) -> None:
        with self._lock:
            self._entries.clear()
            self._bytes = 0

    def _drop(self, path: Path) -> None:
        if (entry := self._entries.pop(path, None)) is not None:
            self._bytes -= entry[1].nbytes


_memory = _Memory(72 << 20)


def forget() -> None:
    """Have all entries read from disk again."""
    _memory.clear()


def _check(text: bytes) -> int:
    return zlib.crc32(text, zlib.crc32(str(len(text)).encode()))


def _facts(file: IO[bytes]) -> dict[str, Any]:
    """The facts at the beginning of an entry.  Raises ValueError, struct.error where it is
    damaged."""
    mark, check, length = _HEAD.unpack(file.read(_HEAD.size))
    text = file.read(min(length, _MOST_FACTS))
    if mark != _MARK or len(text) != length or _check(text) != check:
        raise ValueError
    facts: dict[str, Any] = json.loads(text)
    return facts


def _unpacked(content: bytes) -> Entry:
    """An entry.  Raises ValueError, KeyError, struct.error where it is damaged."""
    file = io.BytesIO(content)
    facts = _facts(file)
    (check,) = _SUM.unpack(file.read(_SUM.size))
    body = memoryview(content)[file.tell() :]
    if zlib.crc32(body) != check:
        raise ValueError
    return facts, np.frombuffer(body, "<f4").reshape(facts["channels"], facts["count"])


# Writing 16-bit WAV with dither, whole or not at all.
#
# Dither is triangular, two least significant bits from end to end (TPDF: Lipshitz, Wannamaker and
# Vanderkooy, "Quantization and dither", JAES 40, 1992), from a fixed seed: the same sound gives the
# same bytes. The format is that of "Multimedia Programming Interface and Data Specifications 1.0"
# (IBM and Microsoft, 1991): a header of 44 bytes, then the frames.

FULL_SCALE = 32767
_SEED = 20
_NOISE = 60 * HOP  # samples of dither, used round and round
_FRAME = 4  # bytes
_HEADER = struct.Struct("<4sI4s4sIHHIIHH4sI")


Frames = NDArray[np.int16]  # shape (n, 2), as they lie in the file


def framed(begin: int, block: Samples, factor: float = 1.0) -> Frames:
    """Sound of shape (2, n) as it is written at a sample, made louder by a factor.

    Full scale is 1; what is beyond is clipped.
    """
    scaled = block * np.float32(FULL_SCALE * factor)
    scaled += _dither(begin, block.shape[1])
    np.rint(scaled, out=scaled)
    np.clip(scaled, -FULL_SCALE - 1, FULL_SCALE, out=scaled)
    sides = scaled.astype("<i2")
    frames = np.empty(sides.shape[::-1], "<i2")
    frames[:, 0], frames[:, 1] = sides
    return frames


class WavWriter:
    """An open WAV file.  Get one from `writing`.  Several threads may write at once."""

    def __init__(self, target: IO[bytes]) -> None:
        self._target = target

    def write(self, begin: int, frames: Frames) -> None:
        """Put frames at a sample."""
        write_at(self._target, frames.data, _HEADER.size + begin * _FRAME)


@contextmanager
def writing(path: Path, length: int) -> Iterator[WavWriter]:
    """A stereo file of `length` samples, 44.1 kHz and 16 bits, there only once it is complete.

    Raises:
        SoundError: it cannot be written: no such folder, no right to, no room left.
    """
    try:
        with whole_file(path) as file:
            file.write(_header(length))
            file.flush()
            yield WavWriter(file)
    except OSError as error:
        raise SoundError(f"{path} cannot be written: {reason(error)}.") from error


def _header(length: int) -> bytes:
    size = length * _FRAME
    form = (1, 2, RATE, RATE * _FRAME, _FRAME, 16)  # PCM, two channels, 16 bits
    rest = _HEADER.size - 8
    return _HEADER.pack(b"RIFF", rest + size, b"WAVE", b"fmt ", 16, *form, b"data", size)


def _dither(start: int, count: int) -> Samples:
    """`count` samples of dither for the samples from `start` on."""
    noise = _noise()
    first = start % _NOISE
    if first + count <= _NOISE:
        return noise[:, first : first + count]
    return np.take(noise, np.arange(first, first + count), axis=1, mode="wrap")


@cache
def _noise() -> Samples:
    """Differences of equally distributed numbers are triangular; in least significant bits."""
    random = np.random.RandomState(_SEED)  # its stream never changes (NEP 19)
    flat = random.random_sample((2, 2, _NOISE))
    return np.asarray(flat[0] - flat[1], np.float32)
