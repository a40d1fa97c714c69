"""The page's document, and what is written beside it."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from drillgen.page import data
from drillgen.page.data import Values
from drillgen.page.models import ALONE, FOLDER, INDEX, POLICY, Licence, Picture, Stand
from drillgen.page.tones import PagePlayer, gain, impulse, needs, players, tones
from drillgen.sheet.svg import font_faces
from drillgen.sound.samples import Bank
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import sample_at
from drillgen.version import VERSION
from drillgen.whole import whole_file

# The page's files: the document, the scripts that play, and scripts that hand it data.
#
# From disk a page may load classic scripts and nothing else (no fetch, no modules: opaque origins,
# HTML Standard), so the data are scripts, each of which hands one value to the page. In a single
# file they are blocks of data in the document, and the scripts are allowed by their hashes.

_WEB = resources.files("drillgen.page") / "web"
# In the order in which they build on each other.
SCRIPTS = ("base", "load", "tones", "band", "player", "turns", "choices", "places", "strip",
           "bars", "desk", "show", "page")  # fmt: skip
_STYLE = "stand.css"


def document(catalogue: Mapping[str, Any], inlined: Mapping[str, Any] | None = None) -> bytes:
    """The page.  `inlined`: the values of its data scripts, for a page that travels alone."""
    scripts = {name: _text(f"{name}.js") for name in SCRIPTS}
    style = _style()
    if inlined is None:
        policy = POLICY.format(scripts="'self'", styles="'self'")
        head = f'<link rel="stylesheet" href="{FOLDER}/{_STYLE}?{_mark(style)}">'
        tail = "\n".join(
            f'<script src="{FOLDER}/{name}.js?{_mark(code)}"></script>'
            for name, code in scripts.items()
        )
    else:
        policy = POLICY.format(scripts=_hashes(scripts.values()), styles=_hashes([style]))
        head = f"<style>{style}</style>"
        tail = "\n".join(f"<script>{code}</script>" for code in scripts.values())
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


def script(name: str, value: Any) -> bytes:
    """A classic script that hands one value to the page."""
    return f'drillgen.take("{name}",{_json(value)});\n'.encode()


def assets() -> dict[str, bytes]:
    """What is the same in every pack, by file name."""
    scripts = {f"{name}.js": _text(f"{name}.js").encode("utf-8") for name in SCRIPTS}
    return {_STYLE: _style().encode("utf-8"), **scripts}


def value_of(content: bytes) -> Any:
    """The value that a data script hands over."""
    text = content.decode("utf-8")
    return json.loads(text[text.index(",") + 1 : text.rindex(")")])


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
    return (_WEB / name).read_text("utf-8")


# Writing the page: a drill's scripts one by one, then the document that they belong to.
#
# A drill's files have their contents' names, so drills can be written side by side, by any process,
# and share what is the same. `write_index` is quick: it needs the drills' entries alone.

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
    stand: Stand,
    played: Sequence[Sequence[PagePlayer]],
    sounds: data.Sounds,
    values: dict[str, Any],
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
