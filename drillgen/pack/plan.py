"""What a build makes: its tasks in two stages, and their order.

A stage is a function from the order (what was asked for) and the manifest store (what is in the
pack by now) to tasks; all tasks of a stage may be done at once, on any core, after the tasks whose
values they need.  To add something to packs:

* a drill's own (sheets, the page's sounds): write `work(job, place, *values) -> entry` in a module
  here; give it to a `PackTask` with a key of everything that it follows from
  (`cache_key_of(program(), drill, ...)`), with `folder` the drill's folder and in `needs` the tasks
  whose values it takes (`drills.py` has them), and add the tasks to `first`.
* something of the whole pack (page, notes, playlists, booklet, zip): the same with `folder=""`, in
  `second`, which is called when the tracks are there: `store.entries("tracks")` are the entries of
  all tracks of the pack, those of earlier builds included, and belong into the key.  Set `here`
  where the work is quick or reads files of the pack.

The work writes its files into `place.folder` under the names that they shall have in the pack, and
its entry, with these names under `files`, becomes one of the manifest's section that it names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.lesson import Lesson
from drillgen.drill.messages import listed
from drillgen.drill.models import Drill
from drillgen.pack.drills import (
    BOOKLET_SECTION,
    PAGE_SECTION,
    SHEET_SECTION,
    TRACK_SECTION,
    IndexJob,
    booklet_tasks,
    composing_task,
    index_task,
    page_tasks,
    sheet_tasks,
    track_tasks,
)
from drillgen.pack.handout import fonts_of, notes_task, playlist_tasks
from drillgen.pack.manifest import ManifestEntry, files_of
from drillgen.pack.manifest_store import ManifestStore
from drillgen.pack.settings import Extras, Planned, Settings, formats_before, formats_of
from drillgen.pack.tasks import PackTask
from drillgen.page import ALONE, INDEX
from drillgen.sound.known_soundfonts import strictest
from drillgen.sound.soundfonts import Soundfont


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for, and where it goes."""

    lesson: Lesson
    folders: tuple[str, ...]  # of the drills, in order
    places: Mapping[str, str]  # folders of the pack that hold a drill of these, and where it goes
    pack: Path
    tracks: tuple[Planned, ...]  # every track that was asked for
    settings: Settings
    extras: Extras
    soundfont: Soundfont

    @property
    def replaced(self) -> frozenset[str]:
        """Folders of the pack of which nothing stays but what is made now."""
        return frozenset({*self.folders, *self.places})

    @property
    def drills(self) -> tuple[tuple[Drill, str], ...]:
        """Each drill with its folder."""
        return tuple(zip(self.lesson.drills, self.folders, strict=True))


_LARGEST = 64 << 20  # bytes of a page's script; ours have 50 kB
Stage = Callable[[Order, ManifestStore], Sequence[PackTask]]


def first(order: Order, store: ManifestStore) -> Sequence[PackTask]:
    """Everything that belongs to one drill, the tracks before all, and the booklet."""
    before = _formats_before(order, store)
    title, settings = order.lesson.title, order.settings
    tasks: list[PackTask] = []
    if order.extras.sound:
        tasks += track_tasks(order.tracks, title, settings, before, order.soundfont)
    composing = _composing(order)
    if order.extras.sheets:
        tasks += sheet_tasks(order.drills, composing)
        tasks += booklet_tasks(order.lesson, composing)
    if order.extras.page:
        tasks += page_tasks(order.drills, order.tracks, composing, order.soundfont, order.extras)
    return tasks


def _formats_before(order: Order, store: ManifestStore) -> dict[str, tuple[str, ...]]:
    """By folder the formats in which its drill was written, which may have lain in another folder;
    where the manifest does not say that any more, those of the files that lie there."""
    there = ((folder, formats_of(store.left_in(folder))) for folder in order.folders)
    listed = formats_before(store.entries(TRACK_SECTION))
    moved = {now: listed[was] for was, now in order.places.items() if was in listed}
    return {folder: formats for folder, formats in there if formats} | moved


def _composing(order: Order) -> list[PackTask]:
    """The tasks that compose each drill's sheets."""
    return [
        composing_task(drill, folder, number, order.tracks, order.extras)
        for number, (drill, folder) in enumerate(order.drills)
    ]


def second(order: Order, store: ManifestStore) -> Sequence[PackTask]:
    """Everything that belongs to the whole pack: drills that were there before are in it, too."""

    def there(section: str) -> list[ManifestEntry]:
        return store.entries(section, order.replaced)

    tracks = there(TRACK_SECTION)
    pages = [entry for entry in there(PAGE_SECTION) if _is_whole(store, entry)]
    if not tracks and not pages:
        return ()
    lists = playlist_tasks(tracks)
    others = [task.label for task in lists]
    others += [
        name
        for section in (SHEET_SECTION, BOOKLET_SECTION)
        for e in there(section)
        for name in files_of(e)
    ]
    tasks = [*lists]
    if pages:  # of other drills perhaps, which are to be found whatever this build leaves out
        tasks.append(index_task(_index(order, pages, tracks)))
        others = [INDEX, *([ALONE] if order.extras.alone else []), *others]
    if not tracks:
        return tasks
    return [*tasks, notes_task(_title(order, tracks), order.lesson.note, tracks, others)]


def _is_whole(store: ManifestStore, page: ManifestEntry) -> bool:
    """Whether a drill can be shown: what its page needs is there, and can be read."""
    states = map(store.inside.state, page["files"])
    return all(state is not None and state.st_size <= _LARGEST for state in states)


def _title(order: Order, entries: Sequence[ManifestEntry]) -> str:
    """What the pack is called where it shows these drills: after the lesson, if that is among them,
    and how many more there are."""
    others = elsewhere(order, entries)
    title, count = order.lesson.title, len(others)
    if all(entry["folder"] in others for entry in entries):
        title, count = entries[0].get("title") or entries[0]["drill"], count - 1
    return f"{title} and {count} more drill{'s' if count > 1 else ''}" if count else title


def elsewhere(order: Order, entries: Sequence[ManifestEntry]) -> list[str]:
    """The folders of other drills than the order's, in order."""
    folders = dict.fromkeys(entry["folder"] for entry in entries)
    return [folder for folder in folders if folder not in order.folders]


def _index(
    order: Order, drills: Sequence[ManifestEntry], tracks: Sequence[ManifestEntry]
) -> IndexJob:
    room = order.settings.room
    alone = order.pack if order.extras.alone else None
    title = _title(order, drills)
    fonts = {font["name"]: font["licence"] for track in tracks for font in fonts_of(track)}
    fonts = fonts or {order.soundfont.name: order.soundfont.licence}
    return IndexJob(title, tuple(drills), listed(fonts), strictest(fonts.values()), room, alone)


STAGES: tuple[Stage, ...] = (first, second)


# In which order tasks are done: each as soon as what it needs is there, on whatever core is free.
#
# Values come first, so that whoever asks for what cannot be played hears of it soon. Of what is
# made of them, the first track comes first, which can be heard at once.

_PLAYED = (TRACK_SECTION, PAGE_SECTION)  # what needs notes rendered


class Agenda:
    """Some tasks and all that they need, each once."""

    def __init__(self, tasks: Sequence[PackTask], notes: PackTask | None = None) -> None:
        """`notes`: the task of all tracks' notes, where these are rendered before the tracks."""
        needed: dict[str, PackTask] = {}
        _gather(tasks, needed)
        values = sorted(needed.values(), key=_depth)
        self._notes = notes
        self._values = {task.key for task in values}
        self._products = {task.key for task in tasks}
        self._waiting = [*values, *([notes] if notes else []), *_in_turn(tasks)]
        self.tasks = tuple(self._waiting)

    @property
    def waiting(self) -> bool:
        """Whether something has not been begun."""
        return bool(self._waiting)

    @property
    def valued(self) -> bool:
        """Whether all values are there that can be, the rendered notes apart."""
        return not self._values

    @property
    def products(self) -> int:
        """How much that belongs into the pack has not ended."""
        return len(self._products)

    def next(self) -> PackTask | None:
        """What is to be begun now; None where all that is left waits for something."""
        ready = next((task for task in self._waiting if self._is_ready(task)), None)
        if ready is not None:
            self._waiting.remove(ready)
        return ready

    def ended(self, task: PackTask) -> None:
        """A task has ended, well or not."""
        self._values.discard(task.key)
        self._products.discard(task.key)
        if self._notes is not None and task.key == self._notes.key:
            self._notes = None

    def _is_ready(self, task: PackTask) -> bool:
        held_back = self._notes is not None and task.section in _PLAYED
        return not held_back and all(need.key not in self._values for need in task.needs)


def _gather(tasks: Sequence[PackTask], found: dict[str, PackTask]) -> None:
    for task in tasks:
        for need in task.needs:
            found.setdefault(need.key, need)
        _gather(task.needs, found)


def _depth(task: PackTask) -> int:
    return 1 + max(map(_depth, task.needs), default=0)


def _in_turn(tasks: Sequence[PackTask]) -> Iterator[PackTask]:
    """Drill after drill.  After the first track, which can be heard at once, what takes long: no
    process shall be left with that alone at the end."""
    whole = [task for task in tasks if not task.folder]
    for folder in dict.fromkeys(task.folder for task in tasks if task.folder):
        own = [task for task in tasks if task.folder == folder]
        tracks = [task for task in own if task.section == TRACK_SECTION]
        others = [task for task in own if task.section != TRACK_SECTION]
        yield from tracks[:1]
        yield from whole
        whole = []
        yield from sorted(others, key=lambda task: -task.weight)
        yield from tracks[1:]
    yield from whole
