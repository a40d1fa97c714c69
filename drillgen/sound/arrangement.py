"""From a performance to note copies in their places: what the bank must have, and where it goes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drillgen.performance import Performance, Voice
from drillgen.score import PartName
from drillgen.sound.bank import Bank, Preset, Wanted
from drillgen.sound.errors import SoundError
from drillgen.sound.mix import Placed, sides
from drillgen.sound.release import tail
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import Stroke, strokes
from drillgen.sound.synth import PERCUSSION_BANK, STANDARD_KIT, nearest_on_grid
from drillgen.sound.workers import Progress

Releases = dict[Wanted, float | None]  # of sustained notes; None: no law, see `release.py`


@dataclass(frozen=True)
class Sounding:
    """The parts of a performance as note copies."""

    parts: dict[PartName, tuple[Placed, ...]]
    warnings: tuple[str, ...]

    def notes(self, parts: Iterable[PartName]) -> list[Placed]:
        """All notes of some parts in order of their starts."""
        return sorted((note for part in parts for note in self.parts[part]), key=lambda n: n.start)


@dataclass(frozen=True, slots=True)
class _Player:
    """A voice, the preset that it got, and its strokes."""

    voice: Voice
    preset: Preset
    strokes: tuple[Stroke, ...]


def prepared(
    performances: Sequence[Performance], bank: Bank, progress: Progress | None = None
) -> tuple[str, ...]:
    """Have the bank render all that the performances need.  Returns warnings."""
    players, warnings = _players(performances, bank)
    wanted = _wanted(players, bank.releases(_melodic(players)))
    bank.fill(wanted, progress)
    return warnings


def gathered(performance: Performance, bank: Bank, progress: Progress | None = None) -> Sounding:
    """A performance's parts as note copies in their places."""
    players, warnings = _players([performance], bank)
    releases = bank.releases(_melodic(players))
    copies = bank.copies(_wanted(players, releases), progress)
    parts: dict[PartName, tuple[Placed, ...]] = {}
    for player in players:
        left, right = sides(player.voice.level, player.voice.pan)
        placed = []
        for stroke in player.strokes:
            note, rate = _note(player.preset, stroke, releases)
            off = stroke.hold if rate is not None else None
            placed.append(
                Placed(
                    stroke.start,
                    copies[note],
                    off,
                    rate or 0.0,
                    stroke.cut,
                    left * stroke.gain,
                    right * stroke.gain,
                )
            )
        parts[player.voice.part] = parts.get(player.voice.part, ()) + tuple(placed)
    return Sounding(parts, warnings)


def resolved(voice: Voice, soundfont: Soundfont) -> tuple[Preset, str]:
    """The preset that a voice gets in a soundfont, and a warning or "".

    Raises:
        SoundError: a melodic program is missing: another instrument would be another exercise.
    """
    there = soundfont.outside.presets
    if not voice.percussion:
        if (0, voice.program) in there:
            return Preset(False, voice.program), ""
        raise SoundError(
            f"{soundfont.name} has no General MIDI program {voice.program + 1}, which the"
            f" {voice.part} part needs: choose another soundfont or instrument."
        )
    if (PERCUSSION_BANK, voice.program) in there:
        return Preset(True, voice.program), ""
    if (PERCUSSION_BANK, STANDARD_KIT) not in there:
        raise SoundError(f"{soundfont.name} has no drum kit: choose another soundfont.")
    kit = "brush kit" if voice.program == 40 else f"drum kit {voice.program}"
    return Preset(True, STANDARD_KIT), (
        f"{soundfont.name} has no {kit}; the {voice.part} part uses its standard kit."
    )


def _players(
    performances: Sequence[Performance], bank: Bank
) -> tuple[list[_Player], tuple[str, ...]]:
    players, warnings = [], []
    for voice in (voice for performance in performances for voice in performance.voices):
        preset, warning = resolved(voice, bank.soundfont)
        keys = {note.key for note in voice.notes}
        chokes = bank.chokes(preset, keys) if preset.percussion and keys else frozenset()
        players.append(_Player(voice, preset, strokes(voice, chokes)))
        warnings += [warning] if warning else []
    return players, tuple(dict.fromkeys(warnings))


def _melodic(players: Iterable[_Player]) -> set[Wanted]:
    """The sustained copies that would serve all melodic notes."""
    return {
        _sustained(player.preset, stroke)
        for player in players
        for stroke in player.strokes
        if not player.preset.percussion
    }


def _sustained(preset: Preset, stroke: Stroke) -> Wanted:
    return Wanted(preset, stroke.key, stroke.velocity, 0)


def _note(preset: Preset, stroke: Stroke, releases: Releases) -> tuple[Wanted, float | None]:
    """The copy that a stroke needs, and its fall after note-off (None: it is in the copy)."""
    sustained = _sustained(preset, stroke)
    rate = releases.get(sustained)
    if rate is not None:
        return sustained, rate
    return Wanted(preset, stroke.key, stroke.velocity, nearest_on_grid(stroke.hold)), None


def _wanted(players: Iterable[_Player], releases: Releases) -> dict[Wanted, int]:
    """Each distinct note and how many samples of it are needed."""
    wanted: dict[Wanted, int] = {}
    for player in players:
        for stroke in player.strokes:
            note, rate = _note(player.preset, stroke, releases)
            count = 0 if rate is None else stroke.hold + tail(rate)
            wanted[note] = max(wanted.get(note, 0), count)
    return wanted
