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

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.lesson import Lesson
from drillgen.drill.models import Drill
from drillgen.pack.ledger import Ledger
from drillgen.pack.plan import Planned, plan
from drillgen.pack.settings import Settings
from drillgen.pack.tasks import Task
from drillgen.pack.tracks import track_tasks
from drillgen.sound.soundfonts import Soundfont


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for, and where it goes."""

    lesson: Lesson
    folders: tuple[str, ...]  # of the drills, in order
    pack: Path
    settings: Settings
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
    """Everything that belongs to one drill."""
    return track_tasks(order.tracks, order.lesson.title, order.settings, order.soundfont)


def second(order: Order, ledger: Ledger) -> Sequence[Task]:
    """Everything that belongs to the whole pack."""
    return ()


STAGES: tuple[Stage, ...] = (first, second)
