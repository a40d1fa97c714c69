"""Tones: the note copies as small MP3s, one a file.

A copy is made mono, ends where nobody hears it any more, and is brought to one level, so that the
codec serves soft and loud ones alike.  Its name is its content's: drills that need the same note
share a file, and it is encoded once (kept where the bank keeps its notes).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from typing import TypeVar

import numpy as np

from drillgen.audio.reel import mp3
from drillgen.page.copies import AUDIBLE, Needs, copies
from drillgen.sound.bank import Bank, Wanted
from drillgen.sound.store import Store
from drillgen.sound.synth import RATE, Samples

QUALITY = 5  # of LAME's variable bit rates, 0 (best) to 9
_LEVEL = 0.7  # of full scale, the peak of every copy: MP3 needs some room above
_FADE = RATE // 25  # samples: the end of a copy that was cut off
_WINDOW = 441  # samples in which the end is looked for
_BATCH = 48  # notes held in memory at once

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Tone:
    """A note copy as the page has it."""

    name: str  # of its file, without ending: from its SHA-256
    mp3: bytes
    count: int  # samples
    decibels: float  # what was taken from its level
    rate: float  # dB a second after note-off; 0: note-off does not end it
    key: int  # MIDI key


def trimmed(copy: Samples) -> Samples:
    """A copy in mono, shape (n,), as loud as left and right together, up to its audible end."""
    mono = copy.mean(axis=0)
    power = float(np.square(mono).mean())
    if copy.shape[0] == 2 and power > 0:
        mono *= min(math.sqrt(float(np.square(copy).mean()) / power), math.sqrt(2))
    loud = np.maximum.reduceat(np.abs(mono), np.arange(0, len(mono), _WINDOW))
    heard = np.flatnonzero(loud > loud.max() * 10 ** (AUDIBLE / 20))
    end = min((int(heard[-1]) + 2) * _WINDOW, len(mono)) if len(heard) else _WINDOW
    out: Samples = mono[:end].copy()
    fade = min(_FADE, len(out))
    out[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
    return out


def tones(wanted: Needs, bank: Bank, jobs: int | None = None) -> dict[Wanted, Tone]:
    """Needed notes encoded; what was encoded before comes from the cache."""
    store = Store(f"tones {QUALITY}")
    made: dict[Wanted, Tone] = {}
    with ThreadPoolExecutor(jobs) as pool:
        for batch in batched(wanted.items(), _BATCH):
            notes = dict(batch)
            found = copies(notes, bank)
            encoded = pool.map(lambda n: _tone(n, found[n], notes[n].rate, store), notes)  # noqa: B023
            made |= zip(notes, encoded, strict=True)
    return made


def batched(items: Iterable[Item], size: int) -> Iterator[list[Item]]:
    """The items in lists of at most `size` (itertools has it from Python 3.12 on)."""
    rest = iter(items)
    while batch := list(islice(rest, size)):
        yield batch


def _tone(note: Wanted, copy: Samples, rate: float, store: Store) -> Tone:
    samples = trimmed(copy)
    peak = float(np.abs(samples).max()) or 1.0
    samples *= np.float32(_LEVEL / peak)
    name = hashlib.sha256(samples.tobytes()).hexdigest()
    return Tone(
        f"tone-{name[:12]}",
        _encoded(samples, name, store),
        len(samples),
        20 * math.log10(peak / _LEVEL),
        rate,
        note.key,
    )


def _encoded(samples: Samples, address: str, store: Store) -> bytes:
    """The store keeps float32 words: bytes are packed into them and their number is a fact."""
    if (kept := store.get(address)) is not None:
        return kept[1].tobytes()[: kept[0]["bytes"]]
    data = bytes(mp3(samples, RATE, QUALITY))
    padded = np.frombuffer(data + bytes(-len(data) % 4), "<f4").reshape(1, -1)
    store.put(address, {"bytes": len(data)}, padded)
    return data
