"""What a pack is made of, stage by stage.

A stage is a function from the order (what was asked for) and the ledger (what is in the pack by
now) to tasks; all tasks of a stage may be done at once, on any core.  To add something to packs:

* a drill's own (sheets, the page's sounds): write `work(job, place) -> entry` in a module of the
  room it belongs to; give it to a `Task` with an address of everything that it follows from
  (`address_of(program(...), drill, ...)`), with `folder` the drill's folder, and add the tasks to
  `first`, beside the tracks.
* something of the whole pack (page, notes, playlists, booklet, zip): the same with `folder=""`, in
  `second`, which is called when the tracks are there: `ledger.entries("tracks")` are the entries of
  all tracks of the pack, those of earlier builds included, and belong into the address.  Set `here`
  where the work is quick or reads files of the pack.

The work writes its files into `place.folder` under the names that they shall have in the pack, and
its entry, with these names under `files`, becomes one of the manifest's section that it names.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.lesson import Lesson
from drillgen.drill.models import Drill
from drillgen.pack.handout import notes_task, playlist_tasks
from drillgen.pack.ledger import Ledger
from drillgen.pack.manifest import files_of
from drillgen.pack.paging import SECTION as PAGE
from drillgen.pack.paging import IndexJob, index_task, page_tasks
from drillgen.pack.plan import Planned, plan
from drillgen.pack.printing import BOOKLET, booklet_tasks, sheet_tasks
from drillgen.pack.printing import SECTION as SHEETS
from drillgen.pack.settings import Extras, Settings
from drillgen.pack.tasks import Entry, Task
from drillgen.pack.tracks import SECTION as TRACKS
from drillgen.pack.tracks import track_tasks
from drillgen.page.models import ALONE, INDEX
from drillgen.sound.soundfonts import Soundfont


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for, and where it goes."""

    lesson: Lesson
    folders: tuple[str, ...]  # of the drills, in order
    replaced: frozenset[str]  # folders of the pack of which nothing stays but what is made now
    pack: Path
    settings: Settings
    extras: Extras
    soundfont: Soundfont

    @property
    def drills(self) -> tuple[tuple[Drill, str], ...]:
        """Each drill with its folder."""
        return tuple(zip(self.lesson.drills, self.folders, strict=True))

    @property
    def tracks(self) -> tuple[Planned, ...]:
        """Every track that was asked for; `pack.track.played` writes and plays one."""
        return plan(self.lesson.drills, self.folders)


Stage = Callable[[Order, Ledger], Sequence[Task]]


def first(order: Order, ledger: Ledger) -> Sequence[Task]:
    """Everything that belongs to one drill, the tracks before all, and the booklet."""
    tasks = list(track_tasks(order.tracks, order.lesson.title, order.settings, order.soundfont))
    if order.extras.sheets:
        tasks += [*sheet_tasks(order.drills), *booklet_tasks(order.lesson)]
    if order.extras.page:
        tasks += page_tasks(order.drills, order.soundfont, order.extras)
    return tasks


def second(order: Order, ledger: Ledger) -> Sequence[Task]:
    """Everything that belongs to the whole pack: drills that were there before are in it, too."""

    def there(section: str) -> list[Entry]:
        return ledger.entries(section, order.replaced)

    tracks = there(TRACKS)
    pages = [entry for entry in there(PAGE) if _is_whole(order.pack, entry)]
    if not tracks:
        return ()
    lists = playlist_tasks(tracks)
    others = [task.label for task in lists]
    others += [
        name for section in (SHEETS, BOOKLET) for e in there(section) for name in files_of(e)
    ]
    tasks = [*lists]
    if pages:  # of other drills perhaps, which are to be found whatever this build leaves out
        tasks.append(index_task(_index(order, pages)))
        others = [INDEX, *([ALONE] if order.extras.alone else []), *others]
    return [*tasks, notes_task(_title(order, tracks), order.lesson.note, tracks, others)]


def _is_whole(pack: Path, page: Entry) -> bool:
    """Whether a drill can be shown: nothing that its page needs was removed."""
    return all(os.path.exists(pack / name) for name in page["files"])  # noqa: PTH110 - never raises


def _title(order: Order, entries: Sequence[Entry]) -> str:
    """What the pack is called where it shows these drills: after the lesson, if that is among them,
    and how many more there are."""
    others = elsewhere(order, entries)
    title, count = order.lesson.title, len(others)
    if all(entry["folder"] in others for entry in entries):
        title, count = entries[0].get("title") or entries[0]["drill"], count - 1
    return f"{title} and {count} more drill{'s' if count > 1 else ''}" if count else title


def elsewhere(order: Order, entries: Sequence[Entry]) -> list[str]:
    """The folders of other drills than the order's, in order."""
    folders = dict.fromkeys(entry["folder"] for entry in entries)
    return [folder for folder in folders if folder not in order.folders]


def _index(order: Order, drills: Sequence[Entry]) -> IndexJob:
    font, room = order.soundfont, order.settings.room
    alone = order.pack if order.extras.alone else None
    title = _title(order, drills)
    return IndexJob(title, tuple(drills), font.name, font.licence, room, alone)


STAGES: tuple[Stage, ...] = (first, second)
