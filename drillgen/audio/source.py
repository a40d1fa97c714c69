"""Reading a finished 16-bit WAV in blocks."""

from __future__ import annotations

import wave
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from drillgen.audio.errors import AudioError, reason

BLOCK = 16384  # samples a channel at a time


@dataclass(frozen=True, slots=True)
class Source:
    """An open WAV file.  Get one from `opened`."""

    file: wave.Wave_read
    channels: int
    rate: int  # samples a second
    count: int  # samples a channel

    @property
    def seconds(self) -> float:
        return self.count / self.rate

    def blocks(self) -> Iterator[bytes]:
        """All samples, 16 bits, little endian, channels interleaved."""
        while block := self.file.readframes(BLOCK):
            yield block


@contextmanager
def opened(path: Path) -> Iterator[Source]:
    """A WAV file of 16 bits, mono or stereo.

    Raises:
        AudioError: it cannot be read, is something else, or holds no sound.
    """
    try:
        file = wave.open(str(path), "rb")  # noqa: SIM115 (closed below; only its errors are caught)
    except (wave.Error, EOFError) as error:
        raise AudioError(f"{path} is not a WAV file that can be converted.") from error
    except OSError as error:
        raise AudioError(f"{path} cannot be read: {reason(error)}.") from error
    with file:
        source = Source(file, file.getnchannels(), file.getframerate(), file.getnframes())
        if file.getsampwidth() != 2 or source.channels not in (1, 2):
            raise AudioError(f"{path} must have 16 bits and one or two channels.")
        if source.count == 0:
            raise AudioError(f"{path} holds no sound.")
        yield source
