"""What is asked: the notes of each response, from a drill as it is arranged or from a pack.

Where the harmony repeats, a response asks for the notes of its call, as late as the response is
after it; an upbeat to a call (a note of the line in a bar that is no call) belongs to it.  Where no
gaps are, the line is asked for, to be played along, four bars at a time.  Where call and response
trade through the form, the answer is free: nothing is asked.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drillgen.drill.messages import nearest
from drillgen.drill.sheet import INSTRUMENTS
from drillgen.errors import reason
from drillgen.take import AskedNote, AskedResponse, HearingError
from drillgen.theory.pitch import Key, Name, Pitch

if TYPE_CHECKING:
    from drillgen.drill.models import Drill
    from drillgen.performance import Performance
    from drillgen.score import Score

_TOGETHER = 4  # bars that are played along, taken as one
SUNG = "voice"  # the instrument of a line that is asked to be sung
MANIFEST = "manifest.json"
_FLATTEST = 5  # fifths below the signature's tonic: its minor second; above, its raised fourth
_GB, _A_SHARP = -6, 10  # between them white keys have their plain names
_TIME = re.compile(r"(-)?(?:(\d{1,3}):)?(\d{1,5}(?:\.\d+)?)")
EARLY = 0.06  # seconds: a line's note may come so much before its bar


@dataclass(frozen=True, slots=True)
class AskedBar:
    """A bar as far as it matters here."""

    start: float  # seconds of the track
    end: float
    role: str  # as in the manifest: call, response, play, …
    key: str  # "Bb major"
    passed: int  # which pass, from 1


@dataclass(frozen=True, slots=True)
class AskedTrack:
    """Everything that a track asks for."""

    name: str  # of its file, or what it is called
    drill: str  # the drill's title
    tempo: float  # beats a minute at its start
    seconds: float
    responses: tuple[AskedResponse, ...]
    any_octave: bool = False
    free: bool = False  # there are responses, but the answers are free

    @property
    def notes(self) -> list[AskedNote]:
        """All of them in order of time."""
        return sorted((n for r in self.responses for n in r.notes), key=lambda note: note.start)

    @property
    def keys(self) -> list[str]:
        """The keys in order, each once."""
        return list(dict.fromkeys(response.key for response in self.responses))


def responses(
    bars: Sequence[AskedBar], notes: Sequence[AskedNote], *, repeats: bool = True
) -> list[AskedResponse]:
    """What each response asks for.  `notes`: the line's as it is played, in order of time."""
    count_in = sum(bar.role == "count-in" for bar in bars)
    if any(bar.role == "response" for bar in bars):
        return list(_answers(bars, notes, count_in)) if repeats else []
    return list(_along(bars, notes, count_in))


def _runs(bars: Sequence[AskedBar]) -> Iterator[list[int]]:
    """Indices of bars of one role in one pass, one after the other."""
    for _, run in groupby(range(len(bars)), key=lambda i: (bars[i].role, bars[i].passed)):
        yield list(run)


def _answers(
    bars: Sequence[AskedBar], notes: Sequence[AskedNote], count_in: int
) -> Iterator[AskedResponse]:
    runs = list(_runs(bars))
    done = 0.0  # where the last call ended: what comes after it leads up to the next
    for called, answered in pairwise(runs):
        if (bars[called[0]].role, bars[answered[0]].role) != ("call", "response"):
            continue
        end = bars[called[-1]].end
        own = [note for note in notes if done <= note.start + EARLY < end]
        start, until = bars[answered[0]].start, bars[answered[-1]].end
        found = _repeated(own, bars[called[0]].start, end, (start, until))
        done = end
        yield AskedResponse(
            bars[answered[0]].key,
            answered[0] - count_in + 1,
            answered[-1] - count_in + 1,
            start,
            until,
            tuple(found),
        )


def _repeated(
    notes: Sequence[AskedNote], start: float, end: float, answer: tuple[float, float]
) -> Iterator[AskedNote]:
    """A call's notes in its response, again and again where that is the longer one."""
    later = answer[0] - start
    while start + later < answer[1] - 1e-6:
        for note in notes:
            if note.start + later + EARLY < answer[1]:
                yield replace(note, start=note.start + later, end=min(note.end + later, answer[1]))
        later += end - start


def _along(
    bars: Sequence[AskedBar], notes: Sequence[AskedNote], count_in: int
) -> Iterator[AskedResponse]:
    played = (run for run in _runs(bars) if bars[run[0]].role in ("play", "call", "ending"))
    pieces = (run[i : i + _TOGETHER] for run in played for i in range(0, len(run), _TOGETHER))
    for run in pieces:
        first, last = bars[run[0]], bars[run[-1]]
        own = tuple(n for n in notes if first.start <= n.start + EARLY < last.end)
        if own:
            numbers = (run[0] - count_in + 1, run[-1] - count_in + 1)
            yield AskedResponse(first.key, *numbers, first.start, last.end, own)


def asked_of(source: str) -> list[AskedTrack]:
    """What each track asks for of a pack's folder, a drill's or lesson's file, or a preset.

    Raises DrillgenError as reading one does.
    """
    if (Path(source) / MANIFEST).is_file():
        return of_pack(Path(source))
    if Path(source).is_dir():
        raise HearingError(f"{source} is no pack (it has no {MANIFEST}); name a pack or a drill")
    from drillgen.drill.files import path_of
    from drillgen.drill.lesson import load

    path_of(source, ("file", "pack"))
    return [track for drill in load(source).drills for track in of_drill(drill)]


def chosen(
    tracks: Sequence[AskedTrack], track: str | None, key: str | None, tempo: float | None
) -> list[AskedTrack]:
    """The tracks that `--track`, `--key` and `--tempo` leave.  Raises HearingError: none."""
    found = list(tracks)
    if track is not None:
        found = _by_name(found, track)
    if tempo is not None:
        found = _kept(found, f"--tempo {tempo:g}", [f"{t.tempo:g}" for t in found], f"{tempo:g}")
    if key is not None:
        found = _in_key(found, key)
    if not any(each.responses for each in found):
        raise HearingError(_FREE if any(each.free for each in found) else _NOTHING)
    return [each for each in found if each.responses]


_FREE = (
    "its responses are free: call and response trade through the form (harmony: continues), so"
    " there is nothing to compare an answer with"
)
_NOTHING = "it asks for no notes: it has no line"


def _kept(
    tracks: list[AskedTrack], said: str, values: Sequence[str], wanted: str
) -> list[AskedTrack]:
    """The tracks with the wanted value.  Raises HearingError, with those that there are."""
    if wanted not in values:
        near = nearest(wanted, values)
        perhaps = f"; did you mean {near}?" if near else ""
        raise HearingError(f"{said}: allowed: {', '.join(dict.fromkeys(values))}{perhaps}")
    return [track for track, value in zip(tracks, values, strict=True) if value == wanted]


def _by_name(tracks: list[AskedTrack], wanted: str) -> list[AskedTrack]:
    if wanted.isdecimal() and 1 <= int(wanted) <= len(tracks):
        return [tracks[int(wanted) - 1]]
    inside = [track for track in tracks if wanted.casefold() in track.name.casefold()]
    return inside or _kept(tracks, f"--track {wanted}", [track.name for track in tracks], wanted)


def _in_key(tracks: list[AskedTrack], wanted: str) -> list[AskedTrack]:
    keys = list(dict.fromkeys(key for track in tracks for key in track.keys))
    try:
        key = str(Key.parse(wanted))
    except ValueError as error:
        raise HearingError(f"--key {wanted}: {error}; allowed: {', '.join(keys)}") from None
    if key not in keys:
        raise HearingError(f"--key {wanted}: allowed: {', '.join(keys)}")
    return [
        replace(track, responses=tuple(r for r in track.responses if r.key == key))
        for track in tracks
    ]


def second(text: str | None) -> float | None:
    """`1:05` or `65.5` as seconds.  Raises HearingError."""
    if text is None:
        return None
    found = _TIME.fullmatch(text.strip())
    if not found:
        raise HearingError(f"--at {text}: write minutes and seconds, 1:05, or seconds, 65.5")
    seconds = 60 * int(found[2] or 0) + float(found[3])
    return -seconds if found[1] else seconds


def of_drill(drill: Drill) -> list[AskedTrack]:
    """What each track of a drill asks for; nothing but its line is written and played."""
    from drillgen.chart import charts
    from drillgen.lines.kinds import line
    from drillgen.performance import perform
    from drillgen.score import Score

    found = []
    for chart in charts(drill):
        part = line(chart)
        score = Score(chart, (part,) if part else ())
        keys = f" in {chart.keys[0]}" if drill.tracks == "per key" else ""
        found.append(of_track(score, perform(score), f"{drill.title}{keys}, {chart.tempo}"))
    return found


def of_track(score: Score, performance: Performance, name: str = "") -> AskedTrack:
    """What a track asks for, as it is arranged and performed."""
    chart = performance.chart
    drill, line = chart.drill, score.part("line")
    starts = [float(each) for each in chart.bar_seconds]
    bars = [
        AskedBar(start, end, bar.role, str(bar.key), bar.pass_number)
        for bar, (start, end) in zip(chart.bars, pairwise(starts), strict=True)
    ]
    written = line.notes if line else ()
    names = {(chart.bar_at(n.start).number, n.pitch.midi): str(n.pitch) for n in written}
    voice = next((voice for voice in performance.voices if voice.part == "line"), None)
    notes = highest(
        AskedNote(note.start, note.start + note.duration, note.key, names[note.bar, note.key])
        for note in (voice.notes if voice else ())
    )
    free = drill.gaps is not None and drill.gaps.harmony == "continues"
    return AskedTrack(
        name or drill.title,
        drill.title,
        float(chart.tempo.at(1)),
        performance.seconds,
        tuple(responses(bars, notes, repeats=not free)),
        any_octave=line is not None and line.instrument == SUNG,
        free=free,
    )


def of_pack(folder: Path) -> list[AskedTrack]:
    """What each track of a pack asks for, from its manifest and its MIDI files.

    Raises HearingError where they are not there, or cannot be read.
    """
    try:
        manifest = json.loads((folder / MANIFEST).read_bytes())
        return [_of_entry(folder, entry) for entry in manifest["tracks"]]
    except OSError as error:
        raise HearingError(f"{error.filename or folder}: {reason(error)}") from error
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, EOFError) as error:
        raise HearingError(
            f"{folder} is damaged: its manifest or a MIDI file cannot be read; build it again"
        ) from error


def _of_entry(folder: Path, entry: dict[str, Any]) -> AskedTrack:
    written = entry["bars"]
    ends = [*(bar["start"] for bar in written[1:]), entry["seconds"]]
    bars = [
        AskedBar(bar["start"], end, bar["role"], bar["key"], bar["pass"])
        for bar, end in zip(written, ends, strict=True)
    ]
    path = folder / entry["files"]["midi with line"]
    notes, program = _line_of(path, bars)
    repeats = _repeats(written)
    tempo = entry["tempo"]
    return AskedTrack(
        Path(entry["files"]["play-along"]).stem,
        entry["drill"],
        float(tempo["from"] if isinstance(tempo, dict) else tempo),
        float(entry["seconds"]),
        tuple(responses(bars, notes, repeats=repeats)),
        any_octave=program == INSTRUMENTS[SUNG].program,
        free=not repeats,
    )


def _repeats(bars: Sequence[dict[str, Any]]) -> bool:
    """Whether responses go over the chords of their calls, as far as the first one tells."""
    roles = [bar["role"] for bar in bars]
    if "response" not in roles or "call" not in roles:
        return True
    call, response = roles.index("call"), roles.index("response")
    return bool(bars[call]["chords"] == bars[response]["chords"])


def _line_of(path: Path, bars: Sequence[AskedBar]) -> tuple[list[AskedNote], int]:
    """The notes of the part `line` of a MIDI file, and its program."""
    import mido

    file = mido.MidiFile(path)
    tempos = [(at, m.tempo) for at, m in _absolute(file.tracks[0]) if m.type == "set_tempo"]
    line = next((track for track in file.tracks if track.name == "line"), None)
    notes, sounding, program = [], dict[int, int](), 0
    for at, message in _absolute(line or ()):
        if message.type == "program_change":
            program = message.program
        elif message.type == "note_on" and message.velocity:
            sounding[message.note] = at
        elif message.type in ("note_on", "note_off") and message.note in sounding:
            ticks = (sounding.pop(message.note), at)
            start, end = (_seconds(tempos, each, file.ticks_per_beat) for each in ticks)
            name = named(message.note, _key_at(bars, start))
            notes.append(AskedNote(start, end, message.note, name))
    return highest(notes), program


def _absolute(track: Iterable[Any]) -> Iterator[tuple[int, Any]]:
    """Messages at their ticks from the start."""
    now = 0
    for message in track:
        now += message.time
        yield now, message


def _seconds(tempos: Sequence[tuple[int, int]], tick: int, ticks: int) -> float:
    """A tick in seconds; tempos are microseconds a quarter note from a tick on."""
    total, last, pace = 0, 0, 500_000  # Standard MIDI Files 1.0: 120 where none is said
    for at, tempo in tempos:
        if at > tick:
            break
        total, last, pace = total + (at - last) * pace, at, tempo
    return (total + (tick - last) * pace) / ticks / 1e6


def _key_at(bars: Sequence[AskedBar], seconds: float) -> str:
    place = bisect_right([bar.start for bar in bars], seconds + EARLY) - 1
    return bars[max(place, 0)].key


def named(midi: int, key: str) -> str:
    """A note's name in a key, such as `Bb2`: of all with its sound the one whose place in the
    circle of fifths is nearest to the signature's notes; Cb, Fb, E# and B# only where it
    has them."""
    home = Key.parse(key)
    fifths = home.signature + (7 * midi - home.signature + _FLATTEST) % 12 - _FLATTEST
    if not home.has(Name(fifths)) and not _GB <= fifths <= _A_SHARP:
        fifths += 12 if fifths < 0 else -12
    return str(Pitch.near(Name(fifths), midi))


def highest(notes: Iterable[AskedNote]) -> list[AskedNote]:
    """In order of time, of notes together the highest: a machine's ear follows one voice."""
    found: list[AskedNote] = []
    for note in sorted(notes, key=lambda note: (note.start, -note.key)):
        if found and note.start - found[-1].start < EARLY:
            found[-1] = max(found[-1], note, key=lambda each: each.key)
        else:
            found.append(note)
    return found


def as_data(track: AskedTrack) -> list[dict[str, Any]]:
    """The same as JSON values, for the page: each response with its notes as [start, end, key,
    name], in seconds of the track."""
    return [
        {
            "key": each.key,
            "bars": [each.first_bar, each.last_bar],
            "start": each.start,
            "end": each.end,
            "notes": [[note.start, note.end, note.key, note.name] for note in each.notes],
        }
        for each in track.responses
    ]
