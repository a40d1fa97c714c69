"""Writing the page: a drill's scripts one by one, then the document that they belong to.

A drill's files have their contents' names, so drills can be written side by side, by any process,
and share what is the same.  `write_index` is quick: it needs the drills' entries alone.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from drillgen.page import data
from drillgen.page.copies import Player, needs, players
from drillgen.page.data import Values
from drillgen.page.document import assets, document, script, value_of
from drillgen.page.level import gain
from drillgen.page.models import Licence, Picture, Stand
from drillgen.page.names import ALONE, FOLDER, INDEX
from drillgen.page.room import impulse
from drillgen.page.tones import tones
from drillgen.sound.bank import Bank
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import sample_at
from drillgen.version import VERSION
from drillgen.whole import whole_file

ROOM = "room"
# How much slower than planned the longest notes can be played to their ends.  The page goes slower
# still; then they end early.
_SLOWED = 2.0
_SLOWEST = 30.0  # beats a minute


def write_drill(out: Path, stand: Stand, soundfont: Soundfont, jobs: int | None = None) -> Values:
    """Write what the page needs of a drill into `out`/page/; returns its entry.

    The entry: `folder`, `title`, `file` and `takes` for the page, and `files`, the names of all
    that it needs, from `out`.  Raises SoundError where a sound is missing; OSError.
    """
    with Bank(soundfont, jobs) as bank:
        played = [players(take, bank) for take in stand.takes]
        wanted = needs(list(zip(played, _slowed(stand), strict=True)), bank)
        made = tones(wanted, bank, jobs)
        length = sample_at(stand.takes[0].performance.seconds)
        level = gain(played[0], wanted, bank, length)
    values: dict[str, Any] = {
        tone.name: base64.b64encode(tone.mp3).decode("ascii") for tone in made.values()
    }
    entry = _entry(stand, played, data.Sounds(made, level), values)
    folder = out / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, value in values.items():
        _whole(folder / f"{name}.js", script(name, value))
    return entry | {"files": [f"{FOLDER}/{name}.js" for name in values]}


def write_index(
    out: Path,
    title: str,
    entries: Sequence[Mapping[str, Any]],
    licence: Licence,
    *,
    room: str | float = "small",
) -> list[str]:
    """Write the page over the drills' entries, in their order; returns the names of its files.

    Raises SoundError where there is no such room; OSError.
    """
    files = {f"{FOLDER}/{name}": content for name, content in assets().items()}
    files[f"{FOLDER}/{ROOM}.js"] = script(ROOM, impulse(room))
    files[INDEX] = document(_catalogue(title, entries, licence))
    (out / FOLDER).mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        _whole(out / name, content)
    return list(files)


def write_alone(
    out: Path,
    pack: Path,
    title: str,
    entries: Sequence[Mapping[str, Any]],
    licence: Licence,
    *,
    room: str | float = "small",
) -> list[str]:
    """Write the whole page into one file, which can travel alone; returns its name.

    The drills' files lie in `pack`.  Raises SoundError where there is no such room; OSError.
    """
    names = dict.fromkeys(name for entry in entries for name in entry["files"])
    values = {Path(name).stem: value_of((pack / name).read_bytes()) for name in names}
    catalogue = _catalogue(title, entries, licence)
    _whole(out / ALONE, document(catalogue, values | {ROOM: impulse(room)}))
    return [ALONE]


def _catalogue(title: str, entries: Sequence[Mapping[str, Any]], licence: Licence) -> Values:
    return {
        "title": title,
        "program": f"drillgen {VERSION}",
        "licence": [licence.soundfont, licence.text],
        "drills": [{k: entry[k] for k in ("title", "file", "takes")} for entry in entries],
    }


def _slowed(stand: Stand) -> Iterator[float]:
    """How much slower each take may be asked for: down to the next slower one, the slowest more."""
    tempos = sorted({take.chart.tempo.start for take in stand.takes})
    slower = dict(zip(tempos[1:], tempos, strict=False))
    for take in stand.takes:
        tempo = take.chart.tempo.start
        yield tempo / slower.get(tempo, max(tempo / _SLOWED, _SLOWEST))


def _entry(
    stand: Stand, played: Sequence[Sequence[Player]], sounds: data.Sounds, values: dict[str, Any]
) -> Values:
    """The drill in the page's catalogue; what it refers to is added to `values`."""
    sheets = [_sheet(picture, values) for picture in stand.pictures]
    drill = data.drill(stand, played, sounds, sheets)
    takes = [
        tempo | {"file": _named("take", data.take(stand, index, played[index], sounds), values)}
        for index, tempo in enumerate(data.tempos(stand))
    ]
    return {
        "folder": stand.folder,
        "title": drill["title"],
        "file": _named("drill", drill, values),
        "takes": takes,
    }


def _sheet(picture: Picture, values: dict[str, Any]) -> tuple[str, str]:
    """Names of a key's sheet for wide and narrow pages, the latter "" if there is none."""
    sizes = ((picture.wide, picture.answer), (picture.narrow, picture.narrow_answer))
    wide, narrow = (
        _named("sheet", {"sheet": svg, "answer": answer}, values) if svg else ""
        for svg, answer in sizes
    )
    return wide, narrow


def _named(kind: str, value: Values, values: dict[str, Any]) -> str:
    """Keep a value under a name that is its content's: no browser shows an old one for a new."""
    content = json.dumps(value, ensure_ascii=False, sort_keys=True).encode("utf-8")
    name = f"{kind}-{hashlib.sha256(content).hexdigest()[:12]}"
    values[name] = value
    return name


def _whole(path: Path, content: bytes) -> None:
    with whole_file(path) as file:
        file.write(content)
