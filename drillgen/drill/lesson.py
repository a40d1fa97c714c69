"""Lessons: several drills with shared defaults, from files and presets.  A single drill is a lesson
of one.

title: Two-fives, first week
note: One drill a day, the slow tempo first.
defaults: {tempo: 72, band: {drums: brushes}}   # under what a file or preset says itself
override: {passes: 2}                           # over it
drills:
  - first-two-fives                      # a preset
  - drills/my-blues.yaml                 # a file, seen from the lesson's folder
  - {drill: blues-walking, tempo: 60}    # either of them, with changes
  - {title: My own, progression: ii7 | V7 | Imaj7 | %}
class:                                   # or a file with these lines; a pack for each part
  bass 1: {positions: first, tempo: 80 %}
  trumpet:
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from drillgen.drill.bars import FASTEST, SLOWEST, Tempo
from drillgen.drill.fields import MAX_TITLE, NOTE, TITLE, Read
from drillgen.drill.files import (
    file_error,
    is_file_name,
    names_music,
    path_of,
    preset_path,
    read_source,
)
from drillgen.drill.messages import (
    DrillError,
    KeyPath,
    Problem,
    RefusedError,
    dotted,
    listed,
    nearest_key,
    quoted,
    refuse,
    show,
)
from drillgen.drill.models import Drill
from drillgen.drill.reader import (
    DRILL_KEYS,
    Override,
    apply,
    long_form,
    merge,
    read_item,
    refused_at,
)
from drillgen.drill.sheet import sheet_for
from drillgen.drill.yaml_source import SourceItem, as_text, from_python, parse, walk

# A lesson's own keys, and what is wrong with them.

MAX_DRILLS = 200
KEYS = ("title", "note", "defaults", "override", "drills", "class")
_SHARED = ("defaults", "override")  # changes to every drill
DRILL_ALLOWED = "a file, a preset's name, or a drill"


def _misplaced(item: SourceItem) -> Iterator[Problem]:
    """What is wrong with the lesson's own keys."""
    for key, value in item.value.items():
        if key not in KEYS:
            at = replace(item, value=key, place=value.key or value.place)
            if key in DRILL_KEYS:
                message = f"{show(key)} is a drill's key, and not a lesson's"
                yield _wrong(at, key, message, f"{key} below {' or '.join(_SHARED)}")
                continue
            message = f"{show(key)} is not a key of a lesson"
            yield _wrong(at, key, message, listed(KEYS), nearest_key(key, KEYS))
    for key in _SHARED:
        changes = item.value.get(key)
        if changes is not None and not isinstance(changes.value, dict):
            message = f"{show(changes.value)} does not fit here"
            yield _wrong(changes, key, message, "a mapping: {tempo: 72}")


def _text(item: SourceItem, key: str, known: Read, problems: list[Problem]) -> str:
    """A text of the lesson, read as a drill's of the same name; "" where there is none."""
    if key not in item.value:
        return ""
    try:
        return str(known.function(as_text(item.value[key])))
    except RefusedError as refused:
        problems += refused_at(item, (key,), refused)
        return ""


def _wrong(item: SourceItem, path: str, message: str, allowed: str, near: str = "") -> Problem:
    value: Any = item.value if not isinstance(item.value, dict | tuple) else show(item.value)
    return item.place.source.problem(
        message, item.place.start, path=path, value=value, allowed=allowed, nearest=near
    )


def _entries(item: SourceItem, problems: list[Problem]) -> tuple[SourceItem, ...]:
    drills = item.value.get("drills") or replace(item, value=None)
    found = drills.value
    count = len(found) if isinstance(found, tuple) else 0
    if 1 <= count <= MAX_DRILLS:
        return tuple(found)
    message = f"the lesson has {count} drills" if count else "a lesson needs its drills"
    allowed = f"a list of 1 to {MAX_DRILLS}: {DRILL_ALLOWED}"
    problems.append(_wrong(drills, "drills", message, allowed))
    return ()


_BASE = "drill"  # in a drill of a lesson: the file or preset that it changes


@dataclass(frozen=True, slots=True)
class Lesson:
    """What builds into one pack."""

    title: str
    drills: tuple[Drill, ...]
    note: str = ""  # a lesson's own sentences for its students
    # What each drill was read from, for what is only found out later.
    written: tuple[SourceItem, ...] = field(default=(), compare=False, repr=False)
    remarks: tuple[str, ...] = field(default=(), compare=False, repr=False)  # for who reads it
    parts: tuple[ClassPart, ...] = ()  # of a class, each with the lesson as it is for it
    part: int = 0  # which of these it is for, from 1; 0: for all


@dataclass(frozen=True, slots=True)
class ClassPart:
    """Who gets a pack of their own: a part, not a person."""

    name: str  # "bass 1"
    lesson: Lesson


Source = str | Path | Mapping[str, Any]  # a preset's name, a file, or what would stand in one


def load(source: Source, overrides: Iterable[Override] = ()) -> Lesson:
    """A lesson or drill: a file, a preset by name, or what would stand in a file, as a mapping;
    files that it names are seen from the folder one is in.  Raises DrillError with every problem.
    """
    if isinstance(source, Mapping):
        path = Path("drill")
        item = from_python(source, path.name)
    else:
        path = path_of(source)
        item = _parsed(
            path, str(source) if isinstance(source, Path) or is_file_name(source) else None
        )
    if not _is_lesson(item):
        read = apply(_with_scores(_titled(item, path), path.parent), overrides)
        drill = read_item(read)
        return Lesson(drill.title, (drill,), written=(read,))
    return _lesson(item, path, tuple(overrides))


def load_all(sources: Sequence[str | Path], overrides: Iterable[Override] = ()) -> Lesson:
    """Several lessons or drills as one.  Raises DrillError with the problems of all of them."""
    given = tuple(overrides)
    problems: list[Problem] = []
    lessons = list(_collected(sources, lambda source: load(source, given), problems))
    if problems:
        raise DrillError(problems)
    drills = tuple(drill for lesson in lessons for drill in lesson.drills)
    title = _title_of([lesson.title for lesson in lessons])
    note = " ".join(filter(None, (lesson.note for lesson in lessons)))
    written = tuple(item for each in lessons for item in each.written)
    said = tuple(remark for each in lessons for remark in each.remarks)
    parts = lessons[0].parts if len(lessons) == 1 else ()
    return Lesson(title, drills, note, written, said, parts)


def _title_of(titles: Sequence[str]) -> str:
    """Several titles as one: as many as find room."""
    count = len(titles)
    while len(listed(titles[:count])) > MAX_TITLE - 3 * (count < len(titles)):
        count -= 1
    return listed(titles[:count]) + (", …" if count < len(titles) else "")


def _parsed(path: Path, name: str | None = None) -> SourceItem:
    try:
        return parse(read_source(path, name or path.name))  # presets may lie anywhere
    except RefusedError as refused:
        raise file_error(name or str(path), refused) from None


def _is_lesson(item: SourceItem) -> bool:
    return isinstance(item.value, dict) and bool({"drills", *_SHARED} & item.value.keys())


def _with_scores(item: SourceItem, folder: Path) -> SourceItem:
    """A drill with what the scores say that it names.  Few drills name one: what reads them is
    imported then."""
    if not any(names_music(each.value) for _, each in walk(item)):
        return item
    from drillgen.drill.lead_sheet import with_lead_sheet

    return with_lead_sheet(item, folder)


def _titled(item: SourceItem, path: Path) -> SourceItem:
    """A drill without a title is called after its file."""
    if not isinstance(item.value, dict) or "title" in item.value:
        return item
    words = path.stem.replace("-", " ").replace("_", " ").strip()
    written = (words[:1].upper() + words[1:])[:MAX_TITLE] or "Drill"
    title = SourceItem(written, item.place, style='"')
    return replace(item, value={**item.value, "title": title})


def _lesson(item: SourceItem, path: Path, overrides: tuple[Override, ...]) -> Lesson:
    problems = list(_misplaced(item))
    title = _text(_titled(item, path), "title", TITLE, problems)
    note = _text(item, "note", NOTE, problems)
    shared = _Shared(_changes(item, "defaults"), _changes(item, "override"))
    entries = enumerate(_entries(item, problems))
    bases = list(_collected(entries, lambda each: _drill(each[1], path, shared, each[0]), problems))
    drills = list(_collected(bases, lambda base: _read(apply(base, overrides)), problems))
    if problems:
        raise DrillError(problems)
    read_drills, items = zip(*drills, strict=True)
    lesson = Lesson(title, read_drills, note, items, tuple(shared.remarks()))
    parts = _parts(item, path)
    return replace(lesson, parts=tuple(_with_parts(lesson, bases, parts, overrides)))


_One = TypeVar("_One")
_Other = TypeVar("_Other")


def _collected(
    items: Iterable[_One], read: Callable[[_One], _Other], problems: list[Problem]
) -> Iterator[_Other]:
    """What can be read of some items; what is wrong with the others is added to the problems."""
    for item in items:
        try:
            yield read(item)
        except DrillError as error:
            problems += error.problems


def _read(item: SourceItem) -> tuple[Drill, SourceItem]:
    return read_item(item), item


# A class: parts of it, each with a sheet that it reads, positions and a share of the tempo.

_PART_KEYS = ("reads", "positions", "tempo")
_MOST_PARTS = 40
_PERCENT = re.compile(r"([0-9]{2,3}) ?%")
_PERCENT_ALLOWED = "a share of the tempo: 50 % to 150 %"
_NUMBERED = re.compile(r"\s*[0-9]+$")
_BASS = "bass"  # the line's own bass, whichever it is


@dataclass(frozen=True, slots=True)
class _Part:
    """What is otherwise for a part of a class."""

    item: SourceItem
    changes: SourceItem
    tempo: int = 100  # per cent

    def read(self, base: SourceItem, overrides: tuple[Override, ...]) -> tuple[Drill, SourceItem]:
        """A drill of the lesson as it is for this part.  Raises DrillError."""
        try:
            drill, item = _read(apply(merge(base, self.changes), overrides))
        except DrillError:
            own = "positions" in self.changes.value
            free = _without_range(base) if own else _without_hands(base, overrides)
            if free is base:
                raise
            drill, item = _read(apply(merge(free, self.changes), overrides))
        return self.slowed(drill), item

    def slowed(self, drill: Drill) -> Drill:
        """At this part's share of its tempos.  Raises DrillError for what nobody can beat."""
        share = self.tempo / 100
        tempos = tuple(
            Tempo(round(each.start * share), (each.step and round(each.step * share, 1)) or 0.0,
                  round(each.end * share))
            for each in drill.tempos
        )  # fmt: skip
        for each in tempos:
            if not all(SLOWEST <= bpm <= FASTEST for bpm in (each.start, each.end)):
                message = f'"{drill.title}" would be played at {each}'
                allowed = f"{SLOWEST:g} to {FASTEST:g} beats a minute"
                raise DrillError([_wrong(self.item, "tempo", message, allowed)])
        return drill if self.tempo == 100 else drill.model_copy(update={"tempos": tempos})


def _without_range(drill: SourceItem) -> SourceItem:
    """A drill whose line may lie where a part's positions are: the class goes before the range that
    the drill names for everyone."""
    line = drill.value.get("line")
    if line is None or not isinstance(line.value, dict) or "range" not in line.value:
        return drill
    rest = {key: each for key, each in line.value.items() if key != "range"}
    return replace(drill, value={**drill.value, "line": replace(line, value=rest)})


def _without_hands(drill: SourceItem, overrides: tuple[Override, ...]) -> SourceItem:
    """A drill in positions for a part that plays no bass: the same notes, by their range."""
    if "positions" not in drill.value:
        return drill
    line = _read(apply(drill, overrides))[0].line
    rest = {key: each for key, each in drill.value.items() if key != "positions"}
    if line is None or line.range is None:
        return replace(drill, value=rest)
    named = from_python({"line": {"range": str(line.range)}}, "")
    return merge(replace(drill, value=rest), replace(drill, value=named.value))


def _parts(item: SourceItem, path: Path) -> dict[str, SourceItem]:
    """What a lesson says of the parts of its class, by their names.  Raises DrillError."""
    found = item.value.get("class")
    if found is None:
        return {}
    if isinstance(found.value, str):
        found = _class_file(found, path)
    if not isinstance(found.value, dict) or not 1 <= len(found.value) <= _MOST_PARTS:
        message = "a class needs its parts"
        allowed = f"1 to {_MOST_PARTS} parts, or a file of them: bass 1: {{positions: first}}"
        raise DrillError([_wrong(found, "class", message, allowed)])
    return dict(found.value)


def _with_parts(
    lesson: Lesson,
    bases: Sequence[SourceItem],
    parts: dict[str, SourceItem],
    overrides: tuple[Override, ...],
) -> Iterator[ClassPart]:
    """Each part with the lesson as it is for it.  Raises DrillError."""
    problems: list[Problem] = []
    read = _collected(parts.items(), lambda each: (each[0], _part(*each)), problems)
    for number, (name, part) in enumerate(read, 1):
        drills = list(_collected(bases, partial(part.read, overrides=overrides), problems))
        if not problems:
            read_drills, items = zip(*drills, strict=True)
            yield ClassPart(name, replace(lesson, drills=read_drills, written=items, part=number))
    if problems:
        raise DrillError(problems)


def _class_file(item: SourceItem, path: Path) -> SourceItem:
    try:
        file = path.parent / item.value
        return parse(read_source(file, str(file), path))
    except RefusedError as error:
        first = error.wrongs[0]
        message = f"{show(item.value)}: {first.message}"
        raise DrillError([_wrong(item, "class", message, "a file", first.nearest)]) from None


def _part(name: str, entry: SourceItem) -> _Part:
    """What a class says of a part; it reads what it is called after.  Raises DrillError."""
    own = {} if entry.value is None else entry.value
    where = f"class.{name}"
    unknown = [key for key in own if key not in _PART_KEYS] if isinstance(own, dict) else [own]
    if unknown:
        message = f"{show(unknown[0])} does not fit here"
        raise DrillError([_wrong(entry, where, message, f"a mapping of {listed(_PART_KEYS)}")])
    called = replace(entry, value=_NUMBERED.sub("", name), place=entry.key or entry.place)
    reads = own.get("reads", called)
    changes: dict[str, SourceItem] = {key: own[key] for key in ("positions",) if key in own}
    try:
        TITLE.function(name)
        if reads.value != _BASS:
            sheet = from_python(sheet_for(reads.value), name)
            changes["sheet"] = replace(sheet, place=reads.place)
        tempo = _share(own["tempo"].value) if "tempo" in own else 100
    except RefusedError as refused:
        first = refused.wrongs[0]
        other = ", or a name of its own with {reads: bass}" if reads is called else ""
        said = (first.message, first.allowed + other, first.nearest)
        at = reads if "tempo" not in own or first.allowed != _PERCENT_ALLOWED else own["tempo"]
        raise DrillError([_wrong(at, where, *said)]) from None
    return _Part(entry, replace(entry, value=changes), tempo)


def _share(value: object) -> int:
    found = _PERCENT.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None or not 50 <= int(found[1]) <= 150:
        raise refuse(f"{show(value)} does not fit here", _PERCENT_ALLOWED)
    return int(found[1])


@dataclass(frozen=True, slots=True)
class _Shared:
    """What a lesson changes in every drill, and which drills its defaults do not reach."""

    defaults: SourceItem
    override: SourceItem
    unmoved: dict[str, tuple[SourceItem, list[str]]] = field(default_factory=dict)

    def around(self, named: SourceItem, name: str, own: SourceItem) -> SourceItem:
        """What a lesson has of a drill that is named: its own changes over its `override`, over
        the drill, over its defaults."""
        over = merge(self.override, own)
        for key, default in _conflicts(self.defaults, named, over):
            self.unmoved.setdefault(key, (default, []))[1].append(name)
        return merge(merge(self.defaults, named), over)

    def remarks(self) -> Iterator[str]:
        """A sentence for each default that is not what some drills are played with."""
        for key, (default, names) in self.unmoved.items():
            at = _wrong(default, key, "", "")
            names = list(dict.fromkeys(names))
            theirs = "has its" if len(names) == 1 else "have their"
            yield quoted(
                f"{at.file}:{at.line}:{at.column}: defaults: {key} is not used by {listed(names)}, "
                f"which {theirs} own; below override: it is used by all"
            )


def _conflicts(
    under: SourceItem, named: SourceItem, over: SourceItem | None, path: KeyPath = ()
) -> Iterator[tuple[str, SourceItem]]:
    """What of `under` a drill has otherwise itself, as far as nothing over it says it, too."""
    short = not isinstance(under.value, dict) and not isinstance(named.value, dict)
    lower, upper = (None if short else long_form(each, path) for each in (under, named))
    above = long_form(over, path) if over is not None else {}
    if above is None or (short and over is not None):
        return  # said as a whole
    if lower is None or upper is None:
        if not _same(under, named):
            yield dotted(path), under
        return
    for key in lower:
        if key in upper:
            yield from _conflicts(lower[key], upper[key], above.get(key), (*path, key))


def _same(one: SourceItem, other: SourceItem) -> bool:
    """Whether two items say the same, wherever they stand."""
    a, b = one.value, other.value
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_same(a[key], b[key]) for key in a)
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(map(_same, a, b))
    return bool(a == b)


def _changes(lesson: SourceItem, key: str) -> SourceItem:
    """What a lesson says below a key; nothing where that is no mapping, which is told."""
    found = lesson.value.get(key)
    return found if found and isinstance(found.value, dict) else replace(lesson, value={})


def _drill(entry: SourceItem, path: Path, shared: _Shared, index: int) -> SourceItem:
    """A drill of a lesson, with what the lesson changes in it."""
    where = f"drills[{index + 1}]"
    if isinstance(entry.value, dict) and _BASE in entry.value:
        base, own = entry.value[_BASE], {k: v for k, v in entry.value.items() if k != _BASE}
        named = _named(base, path, f"{where}.{_BASE}")
        return shared.around(named, str(base.value), replace(entry, value=own))
    if isinstance(entry.value, dict):
        both = merge(shared.defaults, shared.override)
        return merge(both, _with_scores(entry, path.parent))
    named = _named(entry, path, where)
    return shared.around(named, str(entry.value), replace(entry, value={}))


def _named(item: SourceItem, path: Path, where: str) -> SourceItem:
    """The drill in the file or preset that an item of the lesson names."""

    def refused(said: str, allowed: str = DRILL_ALLOWED, near: str = "") -> DrillError:
        return DrillError([_wrong(item, where, f"{show(item.value)}{said}", allowed, near)])

    if not isinstance(item.value, str):
        raise refused(" is no drill")
    is_file = is_file_name(item.value)
    try:
        file = path.parent / item.value if is_file else preset_path(item.value)
        source = read_source(file, str(file) if is_file else file.name, path)
        found = _with_scores(_titled(parse(source), file), file.parent)
    except RefusedError as error:
        first = error.wrongs[0]
        raise refused(f": {first.message}", first.allowed or DRILL_ALLOWED, first.nearest) from None
    except DrillError as error:
        # A name that is no preset is wrong in the lesson; anything else where it was found.
        if error.problems[0].line:
            raise
        raise refused(" is no preset and no file", near=error.problems[0].nearest) from None
    if _is_lesson(found):
        raise refused(" is a lesson itself", "a drill")
    return found
