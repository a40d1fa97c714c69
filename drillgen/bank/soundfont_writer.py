"""Writing a SoundFont 2 file.

After the SoundFont Technical Specification, version 2.04 (E-mu, 2006); section numbers stand beside
what implements them.  A file is a RIFF form `sfbk` of three lists: INFO (section 5), sdta (6) with
the samples, pdta (7) with nine tables.  Values that a zone does not name are the defaults of 8.1.3.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

# Generators (8.1.2), by their names there.
GENERATORS = {
    "modEnvToPitch": 7,
    "initialFilterFc": 8,
    "pan": 17,
    "attackModEnv": 26,
    "holdModEnv": 27,
    "decayModEnv": 28,
    "sustainModEnv": 29,
    "attackVolEnv": 34,
    "holdVolEnv": 35,
    "decayVolEnv": 36,
    "sustainVolEnv": 37,
    "releaseVolEnv": 38,
    "instrument": 41,
    "keyRange": 43,
    "velRange": 44,
    "initialAttenuation": 48,
    "coarseTune": 51,
    "fineTune": 52,
    "sampleID": 53,
    "sampleModes": 54,
    "scaleTuning": 56,
    "exclusiveClass": 57,
    "overridingRootKey": 58,
}
Settings = dict[str, int | tuple[int, int]]  # of a zone: generators by name
_RANGES = ("keyRange", "velRange")
MONO, RIGHT, LEFT = 1, 2, 4  # sample types (7.10)
LOOPED = 1  # sampleModes: round and round, also after the key is let go (8.1.3)
_GUARD = 46  # zero samples after each sample, at least (6.1)
_MARGIN = 8  # samples between a loop's end and the sample's (7.10)


class Modulator(NamedTuple):
    """How a controller moves a generator (7.4): by `amount` in the generator's unit."""

    source: int  # 8.2
    target: str  # a generator's name
    amount: int


# Sources (8.2): note-on velocity is controller 2; bit 8: from high to low; bits 10 on: the curve.
VELOCITY_RISING = 0x0002  # straight from 0 at the softest to 1 at the loudest
VELOCITY_FALLING_CONCAVE = 0x0502  # the source of the default attenuation by velocity (8.4.2)


@dataclass(frozen=True, eq=False)
class Sample:
    """A sound: 16-bit samples, the key at which it sounds as it is, and what it loops."""

    name: str
    samples: NDArray[np.int16]
    rate: int
    key: int = 60
    loop: tuple[int, int] | None = None  # first sample, and the one that equals the first
    cents: int = 0  # to be added to its pitch (-99 to 99)


@dataclass(frozen=True, eq=False)
class Zone:
    """Generators by name, modulators, and what the zone plays."""

    plays: Sample | FontInstrument | Pair
    generators: Mapping[str, int | tuple[int, int]] = field(default_factory=dict)
    modulators: Sequence[Modulator] = ()


@dataclass(frozen=True, eq=False)
class Pair:
    """Left and right of one sound."""

    left: Sample
    right: Sample


@dataclass(frozen=True, eq=False)
class FontInstrument:
    """Zones of samples."""

    name: str
    zones: tuple[Zone, ...]


@dataclass(frozen=True, eq=False)
class FontPreset:
    """What a player chooses by bank and program."""

    name: str
    bank: int
    program: int
    instrument: FontInstrument


@dataclass(frozen=True)
class Info:
    """Texts of the INFO list (5.3 to 5.11), in Latin-1."""

    name: str
    engineers: str
    copyright: str
    comment: str
    tools: str


def soundfont(presets: Sequence[FontPreset], info: Info) -> bytes:
    """The bytes of a file with these presets, and the instruments and samples that they play."""
    ordered = sorted(presets, key=lambda preset: (preset.bank, preset.program))
    instruments = list(dict.fromkeys(preset.instrument for preset in ordered))
    placed = _Samples(instruments)
    lists = (
        _list(b"INFO", _info(info)),
        _list(b"sdta", _chunk(b"smpl", placed.sound.tobytes())),
        _list(b"pdta", _tables(ordered, instruments, placed)),
    )
    return _chunk(b"RIFF", b"sfbk" + b"".join(lists))


def _chunk(kind: bytes, body: bytes) -> bytes:
    """A RIFF chunk (3.1), padded to an even length."""
    return kind + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _list(kind: bytes, body: bytes) -> bytes:
    return _chunk(b"LIST", kind + body)


def _info(info: Info) -> bytes:
    texts = (
        (b"isng", "EMU8000"),  # 5.2: the default sound engine
        (b"INAM", info.name),
        (b"IENG", info.engineers),
        (b"ICOP", info.copyright),
        (b"ICMT", info.comment),
        (b"ISFT", info.tools),
    )
    version = _chunk(b"ifil", struct.pack("<HH", 2, 4))  # 5.1
    return version + b"".join(_chunk(kind, _text(text)) for kind, text in texts)


def _text(text: str) -> bytes:
    """Ended by one or two zero bytes, so that the length is even (5.2)."""
    raw = text.encode("latin-1") + b"\0"
    return raw + b"\0" * (len(raw) % 2)


class _Samples:
    """All samples one after another, and where each lies."""

    def __init__(self, instruments: Sequence[FontInstrument]) -> None:
        self.kinds: dict[Sample, tuple[int, Sample | None]] = {}
        for zone in (zone for instrument in instruments for zone in instrument.zones):
            self._note(zone.plays)
        self.numbers = {sample: number for number, sample in enumerate(self.kinds)}
        parts: list[NDArray[np.int16]] = []
        self.starts: dict[Sample, int] = {}
        length = 0
        for sample in self.kinds:
            self.starts[sample] = length
            parts += [sample.samples.astype("<i2"), np.zeros(_GUARD, "<i2")]
            length += len(sample.samples) + _GUARD
        self.sound = np.concatenate(parts)

    def _note(self, plays: Sample | FontInstrument | Pair) -> None:
        if isinstance(plays, Pair):
            self.kinds.setdefault(plays.left, (LEFT, plays.right))
            self.kinds.setdefault(plays.right, (RIGHT, plays.left))
        elif isinstance(plays, Sample):
            self.kinds.setdefault(plays, (MONO, None))

    def headers(self) -> bytes:
        """The table of samples (7.10)."""
        return b"".join(self._header(sample) for sample in self.kinds) + struct.pack(
            "<20sIIIIIBbHH", b"EOS", *[0] * 9
        )

    def _header(self, sample: Sample) -> bytes:
        start = self.starts[sample]
        first, last = sample.loop or (_MARGIN, len(sample.samples) - _MARGIN)
        kind, other = self.kinds[sample]
        return struct.pack(
            "<20sIIIIIBbHH",
            _name(sample.name),
            start,
            start + len(sample.samples),
            start + first,
            start + last,
            sample.rate,
            sample.key,
            sample.cents,
            0 if other is None else self.numbers[other],
            kind,
        )


def _name(name: str) -> bytes:
    """Twenty bytes, the last zero (7.2)."""
    return name.encode("ascii")[:19]


class _Bags:
    """Zones of presets or of instruments: three tables that point into one another (7.3 to 7.5)."""

    def __init__(self) -> None:
        self.bags: list[tuple[int, int]] = []
        self.generators: list[bytes] = []
        self.modulators: list[bytes] = []

    def add(
        self,
        generators: Iterable[tuple[str, int | tuple[int, int]]],
        modulators: Iterable[Modulator] = (),
    ) -> None:
        """One zone: key range first, then velocity range, what it plays last (8.1.2)."""
        self.bags.append((len(self.generators), len(self.modulators)))
        self.generators += [_generator(name, amount) for name, amount in generators]
        for source, target, amount in modulators:
            packed = struct.pack("<HHhHH", source, GENERATORS[target], amount, 0, 0)
            self.modulators.append(packed)

    def tables(self, letter: bytes) -> tuple[bytes, bytes, bytes]:
        """Bags, modulators and generators, each with the record that ends it."""
        ends = (len(self.generators), len(self.modulators))
        bags = b"".join(struct.pack("<HH", *bag) for bag in (*self.bags, ends))
        return (
            _chunk(letter + b"bag", bags),
            _chunk(letter + b"mod", b"".join(self.modulators) + bytes(10)),
            _chunk(letter + b"gen", b"".join(self.generators) + bytes(4)),
        )


def _generator(name: str, amount: int | tuple[int, int]) -> bytes:
    if isinstance(amount, tuple):
        return struct.pack("<HBB", GENERATORS[name], *amount)
    return struct.pack("<Hh", GENERATORS[name], amount)


def _tables(
    presets: Sequence[FontPreset], instruments: Sequence[FontInstrument], placed: _Samples
) -> bytes:
    """The nine tables of the pdta list, in the order that the specification demands (7.1)."""
    numbers = {instrument: number for number, instrument in enumerate(instruments)}
    outer, inner = _Bags(), _Bags()
    heads, names = [], []
    for preset in presets:
        place = (preset.program, preset.bank, len(outer.bags), 0, 0, 0)
        heads.append(struct.pack("<20sHHHIII", _name(preset.name), *place))
        outer.add([("instrument", numbers[preset.instrument])])
    for instrument in instruments:
        names.append(struct.pack("<20sH", _name(instrument.name), len(inner.bags)))
        for zone in instrument.zones:
            for sample, sides in _sides(zone):
                link = ("sampleID", placed.numbers[sample])
                inner.add([*_ordered({**zone.generators, **sides}), link], zone.modulators)
    heads.append(struct.pack("<20sHHHIII", b"EOP", 0, 0, len(outer.bags), 0, 0, 0))
    names.append(struct.pack("<20sH", b"EOI", len(inner.bags)))
    return b"".join(
        (
            _chunk(b"phdr", b"".join(heads)),
            *outer.tables(b"p"),
            _chunk(b"inst", b"".join(names)),
            *inner.tables(b"i"),
            _chunk(b"shdr", placed.headers()),
        )
    )


def _sides(zone: Zone) -> list[tuple[Sample, dict[str, int]]]:
    """The samples of a zone: one, or two at the sides (pan in tenths of a per cent, 8.1.3)."""
    if isinstance(zone.plays, Pair):
        return [(zone.plays.left, {"pan": -500}), (zone.plays.right, {"pan": 500})]
    assert isinstance(zone.plays, Sample)
    return [(zone.plays, {})]


def _ordered(
    generators: Mapping[str, int | tuple[int, int]],
) -> list[tuple[str, int | tuple[int, int]]]:
    ranges = [(name, generators[name]) for name in _RANGES if name in generators]
    return ranges + [(name, amount) for name, amount in generators.items() if name not in _RANGES]


_SHORTEST = 2**-10  # seconds: -12000 timecents, at once


def timecents(seconds: float) -> int:
    """Seconds in the unit of envelope times (8.1.3): 1200 log2 of the seconds."""
    return round(1200 * float(np.log2(max(seconds, _SHORTEST))))
