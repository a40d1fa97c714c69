"""From a performance to note copies in their places: what the bank must have, and where it goes."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drillgen.bank.make import DEAD, SLIDE, TAKES
from drillgen.drill.messages import RefusedError
from drillgen.drill.sheet import KITS_PLAYED
from drillgen.errors import SoundError
from drillgen.performance import Performance, Played, Voice
from drillgen.score import PartName
from drillgen.sound.fluidsynth import RATE, Progress, nearest_on_grid
from drillgen.sound.known_soundfonts import OURS_CALLED
from drillgen.sound.levels import SoundingNote, energies_of, levelled
from drillgen.sound.loudness import Floats
from drillgen.sound.mixer import PlacedSample, sides
from drillgen.sound.release import Law, Stroke, Touch, sample_at, strokes, tail, takes
from drillgen.sound.samples import LEVEL_STEP, LONGEST, Bank, Copy, DistinctNote, SoundfontPreset
from drillgen.sound.soundfonts import (
    OURS,
    STANDARD_KIT,
    Soundfont,
    SoundSource,
    numbered,
    own_strokes,
    sources,
)

Touches = dict[tuple[SoundfontPreset, int], dict[int, Touch]]  # of each key: its velocities
# The first of the banks in which our own basses have what is played in a manner of its own.
_BANKS = {"dead": DEAD, "slid": SLIDE}
# dB of full scale, before the mix's own gain of some decibels: below it a note has ended.
_HEARD = -90.0
_NOTHING_HEARD = 120.0  # dB below full scale: less than half a step of 16 bits


@dataclass(frozen=True)
class Sounding:
    """The parts of a performance as note copies."""

    parts: dict[PartName, tuple[PlacedSample, ...]]
    warnings: tuple[str, ...]

    def notes(self, parts: Iterable[PartName]) -> list[PlacedSample]:
        """All notes of some parts in order of their starts."""
        return sorted((note for part in parts for note in self.parts[part]), key=lambda n: n.start)


@dataclass(frozen=True, slots=True)
class _Player:
    """A voice, the preset that it got, and its strokes."""

    voice: Voice
    preset: SoundfontPreset
    strokes: tuple[Stroke, ...]


@dataclass(frozen=True, slots=True)
class _Plan:
    """Which copy each stroke needs."""

    touches: Touches
    laws: dict[DistinctNote, Law]  # of sustained notes

    def note(
        self, preset: SoundfontPreset, key: int, velocity: int
    ) -> tuple[DistinctNote, float | None, float]:
        """The sustained copy, its fall after note-off (None: no law), and the gain it lacks."""
        rendered, gain, faster = self.touches[preset, key][velocity]
        sustained = DistinctNote(preset, key, rendered, 0)
        rate = self.laws[sustained].rate
        if rate is None and faster != 1:  # the copy would have another velocity's release
            own = DistinctNote(preset, key, velocity, 0)
            return own, None, 1.0
        return sustained, rate and float(f"{rate * faster:.3g}"), gain

    def ended(self, note: DistinctNote, hold: int) -> DistinctNote:
        """The copy that ends by itself, of a note whose release follows no law."""
        return note._replace(hold=nearest_on_grid(hold, self.steps(note)))

    def steps(self, note: DistinctNote) -> int:
        """How coarse the lengths of such copies are, in steps of the grid."""
        return self.laws[note].steps if note in self.laws else 1

    def found(self, player: _Player, copies: dict[DistinctNote, Copy]) -> Iterator[_Found]:
        """What each stroke of a player sounds: few are different, and looking up is slow."""
        places: dict[tuple[int, int], tuple[DistinctNote, float | None, float, int]] = {}
        known: dict[tuple[int, int, int], Copy] = {}
        for stroke in player.strokes:
            place = stroke.key, stroke.velocity
            if place not in places:
                note, rate, gain = self.note(player.preset, *place)
                places[place] = note, rate, gain, 0 if note in copies else self.steps(note)
            note, rate, gain, steps = places[place]
            hold = nearest_on_grid(stroke.hold, steps) if steps else 0
            if (*place, hold) not in known:
                known[*place, hold] = copies[note._replace(hold=hold)]
            yield stroke, known[*place, hold], rate, gain

    def wanted(self, players: Iterable[_Player]) -> dict[DistinctNote, int]:
        """Each distinct note and how many samples of it are needed."""
        wanted: dict[DistinctNote, int] = {}
        for player in players:
            for (key, velocity), holds in _holds(player.strokes).items():
                note, rate, _ = self.note(player.preset, key, velocity)
                if rate is None:
                    wanted |= dict.fromkeys((self.ended(note, hold) for hold in holds), 0)
                else:
                    wanted[note] = max(wanted.get(note, 0), _needed(max(holds), rate))
        return wanted


_Found = tuple[Stroke, Copy, float | None, float]  # its copy, its fall after note-off, its gain


def _holds(played: Iterable[Stroke]) -> dict[tuple[int, int], set[int]]:
    """Of each key and velocity: the lengths."""
    holds: dict[tuple[int, int], set[int]] = {}
    for stroke in played:
        holds.setdefault((stroke.key, stroke.velocity), set()).add(stroke.hold)
    return holds


def prepared(
    performances: Sequence[Performance], bank: Bank, progress: Progress | None = None
) -> tuple[str, ...]:
    """Have the bank render all that the performances need.  Returns warnings."""
    players, warnings = _players(performances, bank)
    bank.fill(_plan(players, bank).wanted(players), progress)
    return warnings


def balanced(performance: Performance, bank: Bank, progress: Progress | None = None) -> Performance:
    """A performance with the levels at which its parts are as loud as they should be."""
    if all(voice.loudness is None for voice in performance.voices):
        return performance
    players, _ = _players([performance], bank)
    plan = _plan(players, bank)
    copies = bank.outlines(plan.wanted(players), progress)
    return _levelled(performance, players, plan, copies)


def _levelled(
    performance: Performance,
    players: Sequence[_Player],
    plan: _Plan,
    copies: dict[DistinctNote, Copy],
) -> Performance:
    notes: dict[PartName, list[SoundingNote]] = {}
    for player in players:
        notes.setdefault(player.voice.part, []).extend(_sounding(player, plan, copies))
    length = sample_at(performance.seconds)
    parts = {part: energies_of(some, length) for part, some in notes.items()}
    return levelled(performance, parts)


def _sounding(
    player: _Player, plan: _Plan, copies: dict[DistinctNote, Copy]
) -> Iterator[SoundingNote]:
    """The strokes of a player, as far as their loudness goes."""
    energies: dict[int, Floats] = {}
    for stroke, copy, rate, gain in plan.found(player, copies):
        if id(copy) not in energies:
            energies[id(copy)] = np.array(copy.energies)
        hold = stroke.hold if rate else None
        yield SoundingNote(stroke.start, hold, rate or 0.0, stroke.cut, energies[id(copy)], gain)


def gathered(
    performance: Performance,
    bank: Bank,
    progress: Progress | None = None,
    *,
    balance: bool = False,
) -> Sounding:
    """A performance's parts as note copies in their places; `balance`: as `balanced` has them."""
    players, warnings = _players([performance], bank)
    plan = _plan(players, bank)
    copies = bank.notes(plan.wanted(players), progress)
    if balance:
        voices = _levelled(performance, players, plan, copies).voices
        levels = {voice.part: voice.level for voice in voices}
        players = [
            replace(each, voice=replace(each.voice, level=levels[each.voice.part]))
            for each in players
        ]
    parts: dict[PartName, tuple[PlacedSample, ...]] = {}
    warnings += tuple(filter(None, (_silence(each, plan, copies, bank) for each in players)))
    for player in players:
        placed = tuple(_placed(player, plan, copies))
        parts[player.voice.part] = parts.get(player.voice.part, ()) + placed
    return Sounding(parts, warnings)


def looped(sounding: Sounding, length: int, before: int) -> Sounding:
    """Notes for a track that goes round: what rings beyond its end is heard at its start.

    `before`: how many samples before the start must be right, for what remembers them.
    """
    return replace(
        sounding,
        parts={
            part: tuple(again for note in notes for again in _around(note, length, before))
            for part, notes in sounding.parts.items()
        },
    )


def _around(note: PlacedSample, length: int, before: int) -> Iterator[PlacedSample]:
    start = note.start
    while start + note.sounding > -before:
        yield note._replace(start=start)
        start -= length


def _placed(
    player: _Player, plan: _Plan, copies: dict[DistinctNote, Copy]
) -> Iterator[PlacedSample]:
    left, right = sides(player.voice.level, player.voice.stands)
    for stroke, copy, rate, gain in plan.found(player, copies):
        off = stroke.hold if rate else None
        heard = _heard(copy, off, rate or 0.0, max(left, right) * gain)
        yield PlacedSample(
            stroke.start,
            copy.samples,
            off,
            rate or 0.0,
            stroke.cut,
            left * gain,
            right * gain,
            heard,
        )


def _silence(player: _Player, plan: _Plan, copies: dict[DistinctNote, Copy], bank: Bank) -> str:
    """What is to be said of a player of whom nothing is heard: of a kit's strokes some may be
    missing, of an instrument's notes none."""
    silent = [_is_silent(copies[note]) for note in plan.wanted([player]) if note in copies]
    few = all if player.preset.percussion else any
    if not silent or not few(silent):
        return ""
    what = "Nothing" if all(silent) else "Not every note"
    return (
        f"{what} of the {player.voice.part} part is heard: {bank.soundfont.name} has silence for"
        " it, or samples that this FluidSynth cannot decode."
    )


def _is_silent(copy: Copy) -> bool:
    return copy.below[0] > _NOTHING_HEARD


def _heard(copy: Copy, off: int | None, rate: float, gain: float) -> int:
    """Samples after which a note is below hearing.  What is left of a copy never grows."""
    louder = 20 * math.log10(gain) - _HEARD
    whole = bisect_right(copy.below, louder) * LEVEL_STEP
    if off is None or off >= whole:
        return whole
    above = louder - copy.below[off // LEVEL_STEP]
    return min(whole, off + max(math.ceil(-above / rate * RATE), 0))


def _needed(hold: int, rate: float) -> int:
    return min(hold + tail(rate), LONGEST) if rate else LONGEST


def _plan(players: Sequence[_Player], bank: Bank) -> _Plan:
    velocities: dict[tuple[SoundfontPreset, int], set[int]] = {}
    for player in players:
        for key, velocity in {(stroke.key, stroke.velocity) for stroke in player.strokes}:
            velocities.setdefault((player.preset, key), set()).add(velocity)
    touches = bank.touches(velocities)
    sustained = {
        DistinctNote(preset, key, velocity, 0)
        for (preset, key), found in touches.items()
        for velocity, *_ in found.values()
    }
    return _Plan(touches, bank.laws(sustained))


def resolved(voice: Voice, soundfont: Soundfont) -> tuple[SoundfontPreset, str]:
    """The preset that a voice gets, of a soundfont or of whoever else plays its instrument; and a
    warning or "".

    Raises:
        SoundError: nobody has a melodic program (another instrument would be another exercise), or
            a drum kit; or no soundfont is called what was asked for it.
    """
    try:
        found = next(sources(soundfont, voice.percussion, voice.program, voice.font), None)
    except RefusedError as refused:
        raise SoundError(f"{refused} (for the {voice.part} part)") from refused
    if found is None:
        what = "drum kit" if voice.percussion else f"General MIDI program {voice.program + 1}"
        raise SoundError(
            f"{soundfont.name} has no {what}, which the {voice.part} part needs, nor has any other"
            " soundfont that was found: choose another soundfont or instrument."
        )
    number, program = found
    preset = SoundfontPreset(voice.percussion, program, own=number == OURS, other=max(number, 0))
    return preset, _said(voice, soundfont, found)


def by_font(voice: Voice, soundfont: Soundfont) -> tuple[tuple[Voice, SoundfontPreset], ...]:
    """A voice as one for each preset that plays some of its notes.  Raises SoundError as
    `resolved` does."""
    preset, _ = resolved(voice, soundfont)
    brushes = voice.percussion and voice.program == KITS_PLAYED["brushes"] and not voice.font
    own = own_strokes(soundfont, preset.source) if brushes else frozenset()
    ours = SoundfontPreset(True, voice.program, own=True)
    plucked = preset.own and not preset.percussion
    parts: dict[SoundfontPreset, list[Played]] = {preset: []}
    for note in voice.notes:
        whose = ours if note.key in own else preset
        if plucked and note.manner:
            whose = preset._replace(bank=_BANKS[note.manner])
        parts.setdefault(whose, []).append(note)
    if len(parts) == 1:
        return ((voice, preset),)
    return tuple(
        (replace(voice, notes=tuple(notes)), whose) for whose, notes in parts.items() if notes
    )


def _said(voice: Voice, soundfont: Soundfont, found: SoundSource) -> str:
    """What is to be known of a voice that has not what it should have."""
    fonts = (soundfont, *soundfont.others)
    wanted = _wanted(voice, soundfont)
    if wanted is None or found == (wanted, voice.program):
        return ""
    name = OURS_CALLED if wanted == OURS else fonts[wanted].name
    lacking = _lacking(voice)
    if found.number == wanted:
        return f"{name} has no {lacking}; the {voice.part} part uses its standard kit."
    player = OURS_CALLED if found.number == OURS else fonts[found.number].name
    return f"{name} has no {lacking}; {player} plays the {voice.part} part."


def _wanted(voice: Voice, soundfont: Soundfont) -> int | None:
    """The number of the soundfont that should play a voice; None where the best was to be found."""
    if voice.font:
        return numbered(soundfont, voice.font)
    if voice.percussion and voice.program == KITS_PLAYED["brushes"] and own_strokes(soundfont, 0):
        return None  # our own brushes play beside any kit
    lacks = not soundfont.plays(voice.percussion, voice.program)
    best = sources(soundfont, voice.percussion, voice.program)
    return 0 if soundfont.chosen or (lacks and next(best).number != OURS) else None


def _lacking(voice: Voice) -> str:
    if not voice.percussion:
        return f"General MIDI program {voice.program + 1}"
    if voice.program == STANDARD_KIT:
        return "drum kit"
    return "brush kit" if voice.program == KITS_PLAYED["brushes"] else f"drum kit {voice.program}"


def _takes(player: _Player) -> list[_Player]:
    """A player of our own sounds as one for each take, so that no two equal notes are equal."""
    if not player.preset.own:
        return [player]
    turns = list(takes((stroke.key for stroke in player.strokes), TAKES))
    return [
        _Player(
            player.voice,
            player.preset.take(take),
            tuple(s for s, turn in zip(player.strokes, turns, strict=True) if turn == take),
        )
        for take in range(TAKES)
    ]


def _players(
    performances: Sequence[Performance], bank: Bank
) -> tuple[list[_Player], tuple[str, ...]]:
    players, warnings = [], []
    for voice in (voice for performance in performances for voice in performance.voices):
        _, warning = resolved(voice, bank.soundfont)
        warnings += [warning] if warning else []
        for part, preset in by_font(voice, bank.soundfont):
            keys = {note.key for note in part.notes}
            chokes = bank.chokes(preset, keys) if preset.percussion and keys else frozenset()
            players += _takes(_Player(part, preset, strokes(part, chokes)))
    return players, tuple(dict.fromkeys(warnings))
