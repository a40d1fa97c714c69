"""Which parts are heard where: groups, and how they go into each mix."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from drillgen.score import PartName
from drillgen.sound.mix import sides
from drillgen.sound.requests import MixRequest
from drillgen.sound.synth import Samples

Place = float | None  # where a group stands in a mix; None: where its parts stand in the band


@dataclass(frozen=True, slots=True)
class Group:
    """Parts that need not be kept apart."""

    parts: tuple[PartName, ...]
    mixes: tuple[tuple[int, Place], ...]  # the mixes that it is in, and where it stands there


def grouped(parts: Iterable[PartName], mixes: Sequence[MixRequest]) -> tuple[Group, ...]:
    """The fewest groups by which all mixes can be made."""
    members: dict[tuple[tuple[int, Place], ...], list[PartName]] = {}
    for part in parts:
        found = tuple(
            (index, (mix.sides or {}).get(part))
            for index, mix in enumerate(mixes)
            if part in mix.parts
        )
        if found:
            members.setdefault(found, []).append(part)
    return tuple(Group(tuple(parts), found) for found, parts in members.items())


def summed(sounds: Sequence[Samples], places: Sequence[Place], mono: bool, out: Samples) -> Samples:
    """Add up what is in a mix into `out`, shape (2, n)."""
    if not sounds:
        out[:] = 0
    for number, (sound, place) in enumerate(zip(sounds, places, strict=True)):
        placed = sound if place is None else _moved(sound, place)
        if number == 0:
            np.copyto(out, placed)
        else:
            np.add(out, placed, out=out)
    if mono:
        out[:] = (out[0] + out[1]) / 2
    return out


def _moved(sound: Samples, place: float) -> Samples:
    """Both sides together, at another place."""
    middle = (sound[0] + sound[1]) / 2
    return np.asarray(np.array(sides(0.0, place), np.float32)[:, None] * middle)
