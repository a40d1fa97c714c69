"""Rendered sound kept on disk between runs.

One file an entry, named by the SHA-256 of all that its samples depend on.  Entries are written
whole and carry a checksum, so that many processes may share the folder, and a damaged entry is
made again, never played.  What was used longest ago goes when the folder grows too big.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import struct
import threading
import time
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from drillgen.sound.fluidsynth import Samples
from drillgen.sound.places import cache_dir
from drillgen.whole import whole_file

LIMIT = 1 << 30  # bytes
_FORMAT = 3  # counts up when the meaning of an entry changes
_HEAD = struct.Struct("<8sII")  # mark, CRC-32 of the rest, bytes of the facts
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
        if (held := _memory.get(self._path(address))) is not None:
            return held[0]
        with (
            contextlib.suppress(OSError, ValueError, struct.error),
            self._path(address).open("rb") as file,
        ):
            mark, _, length = _HEAD.unpack(file.read(_HEAD.size))
            if mark == _MARK:
                facts: dict[str, Any] = json.loads(file.read(length))
                return facts
        return None

    def get(self, address: str) -> Entry | None:
        """Facts and samples, shape (channels, n), of an entry; None if it is not there whole."""
        path = self._path(address)
        if (held := _memory.get(path)) is not None:
            return held
        try:
            content = path.read_bytes()
            if time.time() - path.stat().st_mtime > _FRESH:
                os.utime(path)
        except OSError:
            return None
        entry = _unpacked(content)
        return None if entry is None else _memory.put(path, entry)

    def put(self, address: str, facts: dict[str, Any], samples: Samples = NOTHING) -> bool:
        """Keep an entry; False where the folder cannot be written."""
        facts = facts | dict(zip(("channels", "count"), samples.shape, strict=True))
        text = json.dumps(facts).encode("utf-8")
        text += b" " * (-len(text) % _HEAD.size)  # the samples shall lie aligned
        body = np.ascontiguousarray(samples, "<f4").data
        check = zlib.crc32(body, zlib.crc32(text))
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with whole_file(self._path(address)) as file:
                file.write(_HEAD.pack(_MARK, check, len(text)))
                file.write(text)
                file.write(body)
        except OSError:
            return False
        _memory.put(self._path(address), (facts, samples))
        return True

    def trim(self) -> None:
        """Remove what was used longest ago until everything fits, with some room to spare."""
        files = []
        with contextlib.suppress(OSError):
            for path in self._top.glob("*/*"):
                state = path.stat()
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


def _unpacked(content: bytes) -> Entry | None:
    if len(content) < _HEAD.size:
        return None
    mark, check, length = _HEAD.unpack_from(content)
    rest = memoryview(content)[_HEAD.size :]
    if mark != _MARK or zlib.crc32(rest) != check:
        return None
    try:
        facts: dict[str, Any] = json.loads(bytes(rest[:length]))
        flat = np.frombuffer(rest[length:], "<f4")
        return facts, flat.reshape(facts["channels"], facts["count"])
    except (ValueError, KeyError):
        return None
