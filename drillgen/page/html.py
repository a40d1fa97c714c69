"""The page: its document, the scripts that play, and scripts that hand it data.

From disk a page may load classic scripts and nothing else (no fetch, no modules: opaque origins,
HTML Standard), so the data are scripts, each of which hands one value to the page. In a single
file they are blocks of data in the document, and the scripts are allowed by their hashes.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from drillgen.disk import whole_file
from drillgen.page import (
    ALONE,
    FOLDER,
    INDEX,
    POLICY,
    WEB,
    WORKER,
    Licence,
    Picture,
    Stand,
)
from drillgen.page.tones import PagePlayer, gain, impulse, needs, players, strokes_of, tones
from drillgen.page.values import Sounds, Values, drill_values, spoken_words, take_values, tempos
from drillgen.sheet.svg import font_faces
from drillgen.sound.release import sample_at
from drillgen.sound.samples import Bank, DistinctNote
from drillgen.sound.soundfonts import Soundfont
from drillgen.take import tables
from drillgen.version import VERSION

# In the order in which they build on each other.
SCRIPTS = ("base", "load", "tones", "duck", "band", "player", "turns", "choices", "places", "strip",
           "address", "offline", "keys", "drag", "click", "spoken", "paper", "sight", "bars",
           "room", "desk", "show", "results", "advice", "hearing", "answers", "page")  # fmt: skip
# What runs in the worker that listens; it is loaded when it is asked for.
EAR = ("ear", "notes", "judge", "place", "chirp", "listen")
_CAPTURE = "capture.js"  # on the audio thread, where a page may load it: not from disk
_SAID_AT_ONCE = ("next", "errs", "care")  # of the tables: what the page says before it listens
_STYLE, _CODE = "stand.css", "stand.js"
_APP = "app.webmanifest"  # for pages that a server gives
_COUNT = "count"  # the tones of a count-in, in one file: the first thing that is heard


def document(catalogue: Mapping[str, Any], inlined: Mapping[str, Any] | None = None) -> bytes:
    """The page.  `inlined`: the values of its data scripts, for a page that travels alone."""
    code, style = _code(), _style()
    if inlined is None:
        policy = POLICY.format(scripts="'self'", styles="'self'")
        head = f'<link rel="stylesheet" href="{FOLDER}/{_STYLE}?{_mark(style)}">'
        head += "".join(
            f'\n<link rel="preload" as="script" href="{FOLDER}/{name}.js">'
            for name in _needed_first(catalogue)
        )
        tail = f'<script src="{FOLDER}/{_CODE}?{_mark(code)}"></script>'
    else:
        policy = POLICY.format(scripts=_hashes([code]), styles=_hashes([style]))
        head = f"<style>{style}</style>"
        tail = f"<script>{code}</script>"
    blocks = {"catalogue": catalogue} | dict(inlined or {})
    places = {
        "title": html.escape(str(catalogue["title"])),
        "policy": policy,
        "style": head,
        "data": "\n".join(_block(name, value) for name, value in blocks.items()),
        "scripts": tail,
    }
    page = re.sub(r"\{\{(\w+)\}\}", lambda found: places[found[1]], _text(INDEX))
    return page.encode("utf-8")


def _needed_first(catalogue: Mapping[str, Any]) -> Iterator[str]:
    """The data of the first drill that a browser may fetch while it reads the page's code."""
    for entry in catalogue["drills"][:1]:
        yield from (entry["file"], entry["takes"][0]["file"])
        if entry.get(_COUNT):
            yield entry[_COUNT]


def _app(title: str) -> Values:
    """What a phone's home screen says of the page (Web Application Manifest, W3C)."""
    mark = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 24 24'>"
        "<rect width='24' height='24' fill='%23ffdf94'/><path d='M8 5v14l11-7z'/></svg>"
    )
    icon = {"src": f"data:image/svg+xml,{mark}", "sizes": "any", "type": "image/svg+xml"}
    about = {"name": title, "start_url": f"../{INDEX}", "scope": "../", "icons": [icon]}
    return about | {"display": "standalone", "background_color": "#fbf8f2"}


def script(name: str, value: Any) -> bytes:
    """A classic script that hands one value to the page."""
    return f'drillgen.take("{name}",{_json(value)});\n'.encode()


def assets() -> dict[str, bytes]:
    """What is the same in every pack, by file name."""
    files = {_STYLE: _style(), _CODE: _code(), _CAPTURE: _text(_CAPTURE)}
    return {name: content.encode("utf-8") for name, content in files.items()}


def value_of(content: bytes) -> Any:
    """The value that a data script hands over."""
    text = content.decode("utf-8")
    return json.loads(text[text.index(",") + 1 : text.rindex(")")])


def _code() -> str:
    """The page's scripts as one: each request costs a slow line's way there and back."""
    return "".join(_text(f"{name}.js") for name in SCRIPTS)


def ear() -> Values:
    """What listens: a worker's code, and the tables of `drillgen.take`."""
    shared = {name: each for name, each in tables().items() if name not in _SAID_AT_ONCE}
    code = "".join(_text(f"{name}.js") for name in EAR)
    return {"code": code, "tables": shared}


def _style() -> str:
    """The page's style, with the font that its sheets are set in."""
    return f"{_text(_STYLE)}{font_faces()}\n"


def _json(value: Any) -> str:
    """JSON that no HTML parser takes for markup."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _block(name: str, value: Any) -> str:
    return f'<script type="application/json" id="{name}">{_json(value)}</script>'


def _hashes(texts: Iterable[str]) -> str:
    digests = (hashlib.sha256(text.encode("utf-8")).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def _mark(text: str) -> str:
    """So that a browser's cache does not serve an older program's file."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:8]


def _text(name: str) -> str:
    return (WEB / name).read_text("utf-8")


# Writing the page: a drill's scripts one by one, then the document that they belong to.
#
# A drill's files have their contents' names, so drills can be written side by side, by any process,
# and share what is the same. `write_index` is quick: it needs the drills' entries alone.

ROOM = "room"
_EAR = "ear"
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
        first = {stroke.note for stroke in strokes_of(played[0])}
        made, heard = tones(wanted, bank, first, jobs)
        length = sample_at(stand.takes[0].performance.seconds)
        level = gain(played[0], wanted, heard, length)
    values: dict[str, Any] = {
        tone.name: base64.b64encode(tone.mp3).decode("ascii") for tone in made.values()
    }
    counted = {made[note].name: values[made[note].name] for note in _counted_in(stand, played)}
    entry = _entry(stand, played, Sounds(made, level), values)
    entry[_COUNT] = _named(_COUNT, counted, values) if counted else ""
    folder = out / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, value in values.items():
        _whole(folder / f"{name}.js", script(name, value))
    return entry | {"files": [f"{FOLDER}/{name}.js" for name in values]}


def _counted_in(stand: Stand, played: Sequence[Sequence[PagePlayer]]) -> Iterator[DistinctNote]:
    """The notes of the count-ins."""
    for take, found in zip(stand.takes, played, strict=True):
        lead = next(bar.number for bar in take.chart.bars if bar.role != "count-in")
        for player in found:
            yield from (stroke.note for stroke in player.strokes if stroke.bar < lead)


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
    files[f"{FOLDER}/{_EAR}.js"] = script(_EAR, ear())
    files[WORKER] = _text(WORKER).encode("utf-8")
    files[f"{FOLDER}/{_APP}"] = _json(_app(title)).encode("utf-8")
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
    entries = [{**entry, _COUNT: ""} for entry in entries]  # whose tones are in it one by one
    names = dict.fromkeys(
        name
        for entry in entries
        for name in entry["files"]
        if not Path(name).name.startswith(f"{_COUNT}-")
    )
    values = {Path(name).stem: value_of((pack / name).read_bytes()) for name in names}
    catalogue = _catalogue(title, entries, licence)
    _whole(out / ALONE, document(catalogue, values | {ROOM: impulse(room), _EAR: ear()}))
    return [ALONE]


def _catalogue(title: str, entries: Sequence[Mapping[str, Any]], licence: Licence) -> Values:
    return {
        "title": title,
        "program": f"drillgen {VERSION}",
        "licence": [licence.soundfont, licence.text],
        "words": {name: tables()[name] for name in _SAID_AT_ONCE},
        "drills": [
            {k: entry.get(k, "") for k in ("title", "file", "takes", _COUNT)} for entry in entries
        ],
    }


def _slowed(stand: Stand) -> Iterator[float]:
    """How much slower each take may be asked for: down to the next slower one, the slowest more."""
    tempos = sorted({take.chart.tempo.start for take in stand.takes})
    slower = dict(zip(tempos[1:], tempos, strict=False))
    for take in stand.takes:
        tempo = take.chart.tempo.start
        yield tempo / slower.get(tempo, max(tempo / _SLOWED, _SLOWEST))


def _entry(
    stand: Stand,
    played: Sequence[Sequence[PagePlayer]],
    sounds: Sounds,
    values: dict[str, Any],
) -> Values:
    """The drill in the page's catalogue; what it refers to is added to `values`."""
    sheets = [[_sheet(each, values) for each in reading.pictures] for reading in stand.readings]
    entry = drill_values(stand, played, sounds, sheets)
    entry["spoken"]["file"] = _named("words", spoken_words(stand), values)
    takes = [
        tempo | {"file": _named("take", take_values(stand, index, played[index], sounds), values)}
        for index, tempo in enumerate(tempos(stand))
    ]
    return {
        "folder": stand.folder,
        "title": entry["title"],
        "file": _named("drill", entry, values),
        "takes": takes,
    }


def _sheet(picture: Picture, values: dict[str, Any]) -> tuple[str, str]:
    """Names of a key's sheet for wide and narrow pages, the latter "" if there is none."""
    sizes = ((picture.wide, picture.answer), (picture.narrow, picture.narrow_answer))
    names = dict(picture.names)
    wide, narrow = (
        _named("sheet", {"sheet": svg, "answer": answer, "names": names}, values) if svg else ""
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
