"""From drills to a pack: plan, do what is not done yet, and say what was made."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from html import escape
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from drillgen.drill.lesson import Lesson
from drillgen.drill.messages import DrillError, Problem, RefusedError
from drillgen.drill.reader import refused_at
from drillgen.errors import DrillgenError, held_back, reason
from drillgen.pack.drills import TRACK_SECTION, bank_task
from drillgen.pack.files import PackError, clear, zip_pack, zip_path
from drillgen.pack.folder import BuildFolder, build_folder, refuse_foreign_files
from drillgen.pack.handout import heard_first
from drillgen.pack.manifest import ManifestEntry
from drillgen.pack.manifest_store import ManifestStore
from drillgen.pack.plan import STAGES, Agenda, Order, elsewhere
from drillgen.pack.preflight import audio_problems, problem, silent
from drillgen.pack.settings import Folders, Options, Settings, TakenFolder, lesson_folders, plan
from drillgen.pack.tasks import Failure, Outcome, PackTask, Shared, task_folder
from drillgen.page import ALONE, INDEX
from drillgen.sound.library import library
from drillgen.sound.soundfonts import Soundfont, SoundfontChoice, choose, numbered

if TYPE_CHECKING:
    from drillgen.pack.workers import TaskWorkers

__all__ = ["Options", "Pack", "Settings", "UnfinishedError", "build"]

ProgressCallback = Callable[[float, str], None]  # done so far (0 to 1), what is being done
# Weight of tasks (seconds of music) up to which starting processes costs more than it gains.
_QUICK = 120.0
_LOOK_UP = 0.5  # seconds: on Windows only then Ctrl-C is heard
_KEPT_TOLD = 8  # files
_TOLD = 3  # names for one reason; a reason that all share needs no list of all


class BuildProgress:
    """How far a build is: finished tasks and shares of those at work, by weight.  Hears from any
    thread."""

    def __init__(self, progress: ProgressCallback | None) -> None:
        self._progress = progress
        self._lock = threading.Lock()
        self._total = self._done = self._said = 0.0
        self._shares: dict[str, float] = {}

    def expect(self, tasks: Iterable[PackTask]) -> None:
        """Count tasks in that are still to be done."""
        self._total += sum(task.weight for task in tasks)

    def share(self, task: PackTask, done: float) -> None:
        """A task is `done` (0 to 1)."""
        with self._lock:
            self._shares[task.key] = done * task.weight
            self._say(task.label)

    def ended(self, task: PackTask) -> None:
        """A task has ended."""
        with self._lock:
            self._shares.pop(task.key, None)
            self._done += task.weight
            self._say(task.label)

    def last(self, what: str) -> None:
        """Everything is done but what follows from all of it."""
        if self._progress is not None:
            self._progress(self._said, what)

    def _say(self, what: str) -> None:
        if self._progress is not None and self._total:
            done = (self._done + sum(self._shares.values())) / self._total
            self._said = max(self._said, min(done, 1.0))
            self._progress(self._said, what)


class UnfinishedError(DrillgenError):
    """Some of a pack could not be made; the rest is there."""

    def __init__(self, message: str, exit_code: int) -> None:
        super().__init__(message)
        self.exit_code = exit_code


class BuildRun:
    """A build of an order."""

    def __init__(
        self,
        order: Order,
        options: Options,
        folder: BuildFolder,
        store: ManifestStore,
        progress: BuildProgress,
    ) -> None:
        self._order, self._options, self._folder = order, options, folder
        self._store, self._progress = store, progress
        self._tasks: list[PackTask] = []
        self._values: dict[str, Shared] = {}  # by key
        self._lacking: dict[str, Failure] = {}  # why a value is not there, by key
        self._wrongs: list[tuple[str, Any]] = []  # with the folder of the drill
        self._failures: list[tuple[PackTask, Failure]] = []
        self._remarks: dict[str, None] = {}
        self.made = 0  # tracks
        self.others: list[str] = []  # what else was made, by its label

    def tracks(self) -> list[ManifestEntry]:
        """The entries of this order's tracks."""
        return self._entries(task for task in self._tasks if task.section == TRACK_SECTION)

    def warnings(self) -> tuple[str, ...]:
        """What is to be said about what was made, in this build or before."""
        found = self._entries(self._tasks)
        said = [text for entry in found for text in entry.get("warnings", ())]
        damage = tuple(self._store.damage(self._order.replaced))
        kept = _kept_words(self._store.kept(), sure=not damage)
        return tuple(dict.fromkeys((*damage, *said, *self._remarks, *kept)))

    def _entries(self, tasks: Iterable[PackTask]) -> list[ManifestEntry]:
        entries = map(self._store.entry, tasks)
        return [entry for entry in entries if entry is not None]

    def through(self) -> None:
        """Do every stage; at the end the manifest says what is finished, whatever happened.

        Whoever does tasks has been stopped before that: nobody writes while it is written.  Raises
        UnfinishedError where something could not be made, DrillError where something cannot be
        played, PackError, OSError.
        """
        try:
            for stage in STAGES:
                self._do(stage(self._order, self._store))
                self._folder.check()
        except BaseException as error:
            with held_back(), contextlib.suppress(OSError, PackError):
                self._folder.empty()  # first, for the disk may be full
                self._folder.check()
                self._store.leave()
            if isinstance(error, OSError):
                self._folder.check()
            raise
        if self._failures:
            self._store.leave()
            raise self._unfinished()
        with held_back():
            self._store.finish(self._order.replaced)

    def _do(self, tasks: Sequence[PackTask]) -> None:
        missing = self._store.plan(tasks)
        self._tasks += tasks
        others = [task for task in missing if not task.here]
        own = [task for task in missing if task.here]
        if others:
            self._check_soundfont()
            self._with(self._workers(others), others)
        if own:
            from drillgen.pack.workers import InThisProcess

            self._with(InThisProcess(self._options.jobs), own)

    def _check_soundfont(self) -> None:
        """Raises SoundError where one is damaged: else every task would find that out by itself."""
        from drillgen.sound.soundfont_file import check

        asked = {drill.sounds for drill in self._order.lesson.drills}
        fonts = (font for sounds in asked for font in self._order.soundfont.heard_of(sounds))
        for path in dict.fromkeys(font.path for font in fonts):
            check(path)

    def _check_instruments(self, value: Shared) -> None:
        """Raises SoundError where an instrument is nowhere, before anything is rendered."""
        from drillgen.pack.settings import PlayedTrack
        from drillgen.sound.schedule import resolved

        if self._order.soundfont.whole:
            return
        track = value.value
        for voice in track.performance.voices if isinstance(track, PlayedTrack) else ():
            resolved(voice, self._order.soundfont)

    def _workers(self, tasks: Sequence[PackTask]) -> TaskWorkers:
        from drillgen.pack.workers import DaskCluster, InThisProcess, WorkerProcesses

        jobs = self._options.jobs
        if self._options.cluster is not None:
            return DaskCluster(self._options.cluster)
        quick = jobs is None and sum(task.weight for task in tasks) < _QUICK
        count = min(jobs or cores(), len(tasks))
        return InThisProcess(jobs) if quick or count < 2 else WorkerProcesses(count)

    def _with(self, workers: TaskWorkers, tasks: Sequence[PackTask]) -> None:
        """Do tasks and, before them, what they need.  Nothing goes into the pack before all that is
        asked for is known to be playable."""
        agenda = Agenda(tasks, self._notes(tasks) if workers.share_notes else None)
        self._progress.expect(agenda.tasks)
        held: list[Outcome] = []
        with workers:
            for outcome in self._outcomes(workers, agenda):
                self._progress.ended(outcome.task)
                if outcome.task.section:
                    held.append(outcome)
                else:
                    self._take(outcome)
                    if agenda.valued:
                        self._refuse_unplayable()
                while held and agenda.valued:
                    self._take(held.pop(0))

    def _notes(self, tasks: Sequence[PackTask]) -> PackTask | None:
        """The task of the notes of several tracks, rendered before processes would each render the
        same."""
        tracks = [task for task in tasks if task.section == TRACK_SECTION]
        needs = [need for task in tracks for need in task.needs]
        return bank_task(needs, self._order.soundfont) if len(tracks) > 1 else None

    def _outcomes(self, workers: TaskWorkers, agenda: Agenda) -> Iterator[Outcome]:
        """How tasks end, as they do."""
        begun: dict[Future[Any], PackTask] = {}
        while agenda.waiting or begun:
            while len(begun) < workers.count and (task := agenda.next()) is not None:
                begun[self._begin(workers, task, agenda.products)] = task
            ended, _ = wait(begun, timeout=_LOOK_UP, return_when=FIRST_COMPLETED)
            for future in ended:
                task = begun.pop(future)
                agenda.ended(task)
                yield Outcome(task, workers.end(task, future, self._folder.room_for))

    def _begin(self, workers: TaskWorkers, task: PackTask, left: int) -> Future[Any]:
        """Do a task with the values that it needs, if these are there."""
        if any(need.key in self._lacking for need in task.needs):
            future: Future[Any] = Future()
            future.set_result(self._missing(task))
            return future
        given = tuple(self._values[need.key] for need in task.needs)
        ready = replace(task, given=given)
        return workers.begin(ready, self._folder.room_for, self._progress.share, left)

    def _missing(self, task: PackTask) -> Failure:
        """Why something that a task needs is not there."""
        return next(self._lacking[need.key] for need in task.needs if need.key in self._lacking)

    def _take(self, outcome: Outcome) -> None:
        """What a task has made goes into the pack, or to those who need it."""
        task, result = outcome.task, outcome.result
        if isinstance(result, Failure):
            self._fail(task, result)
            return
        self._remarks |= dict.fromkeys(result.remarks)
        if result.value is not None:
            self._check_instruments(result.value)
            self._values[task.key] = result.value
        else:
            made_in = task_folder(self._folder.making, task)
            self._folder.check()
            with held_back():
                self._store.accept(task, result, made_in)
                clear(made_in)
            self.made += task.section == TRACK_SECTION
            self.others += [task.label] if task.section != TRACK_SECTION else []

    def _fail(self, task: PackTask, failure: Failure) -> None:
        self._folder.check()
        if failure.blame == "target":
            raise PackError(f"cannot write into {self._order.pack}: {failure.message}")
        if task.section:
            self._failures.append((task, failure))
        else:
            self._lacking[task.key] = failure
            if failure.details:
                self._wrongs.append((task.folder, failure.details))

    def _refuse_unplayable(self) -> None:
        """Raises DrillError for every drill in which nothing sounds, or that no hand can play as
        its sheet asks."""
        lesson, folders = self._order.lesson, self._order.folders
        problems = [
            problem(lesson, index, wrong)
            for index, (drill, folder) in enumerate(zip(lesson.drills, folders, strict=True))
            for wrong in (*silent(drill), *(each for own, each in self._wrongs if own == folder))
        ]
        if problems:
            raise DrillError(problems)

    def _unfinished(self) -> UnfinishedError:
        ours = any(failure.blame == "program" for _, failure in self._failures)
        there = (
            f"{len(self.tracks())} of {sum(t.section == TRACK_SECTION for t in self._tasks)} tracks"
        )
        said = "\n".join(f"  {line}" for line in self._complaints())
        return UnfinishedError(
            f"Not everything could be made; {self._order.pack} has {there}.\n{said}",
            1 if ours else 2,
        )

    def _complaints(self) -> Iterator[str]:
        """What failed and why, in the order in which it was asked for; one reason is told once."""
        order = {task.key: number for number, task in enumerate(self._tasks)}
        labels: dict[str, list[str]] = {}
        for task, failure in sorted(self._failures, key=lambda each: order[each[0].key]):
            labels.setdefault(failure.message, []).append(task.label)
        for message, names in labels.items():
            shown = names[:_TOLD] + ([f"{len(names) - _TOLD} more"] if len(names) > _TOLD else [])
            yield f"{', '.join(shown)}: {message}"


def cores() -> int:
    """How many cores this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(frozen=True, slots=True)
class Pack:
    """What is there now."""

    folder: Path
    tracks: tuple[Path, ...]  # the play-along of each track
    first: Path  # what to open first
    alone: Path | None  # the page in one file, where that was asked for
    packed: Path | None  # the zip, where one was asked for
    others: tuple[str, ...]  # folders of other drills, from earlier builds
    music: float  # seconds of all tracks
    made: int  # how many tracks were made; the others were there
    others_made: tuple[str, ...]  # what else was made, in words
    took: float  # seconds
    soundfont: SoundfontChoice
    warnings: tuple[str, ...]

    def _repr_html_(self) -> str:
        """For a notebook: the page, each track to hear, with its line and without, and each drill's
        sheet, as they lie in the folder, seen from where Python runs."""
        sheets = sorted(self.folder.glob("*/sheet.svg"))
        rows = [f'<p><a href="{_seen(self.first)}">{escape(self.first.name)}</a></p>']
        both = ((t.with_name(f"{t.stem} with line{t.suffix}"), t) for t in self.tracks)
        rows += [
            f"<p>{escape(track.stem)}<br>"
            f'<audio controls preload="none" src="{_seen(track)}"></audio></p>'
            for track in chain.from_iterable(both)
            if track.is_file()
        ]
        rows += [f'<p><img alt="{escape(s.parent.name)}" src="{_seen(s)}"></p>' for s in sheets]
        return "\n".join(rows)


def _seen(path: Path) -> str:
    """A file's address from the folder that Python runs in, else from the machine's root."""
    whole, here = path.resolve(), Path.cwd()
    return (
        quote(whole.relative_to(here).as_posix()) if whole.is_relative_to(here) else whole.as_uri()
    )


def build(
    lesson: Lesson,
    out: Path,
    options: Options | None = None,
    progress: ProgressCallback | None = None,
) -> Pack:
    """Bring a lesson's pack in a folder up to date, each file whole or not at all.

    What the folder has already, and would not come out otherwise, is not made again.  Tracks of
    other drills that its manifest lists stay.  Where this is interrupted, what is finished is kept,
    and the next build goes on from there.

    Raises:
        DrillgenError: a drill cannot be played, the folder cannot be written or has something of
            somebody else's in it, no sound can be made, or, an UnfinishedError, some of the tracks
            could not be made.
    """
    began = time.perf_counter()
    options = options or Options()
    settings = options.settings.checked()
    if options.cluster is not None:
        from drillgen.pack.workers import scheduler

        scheduler(options.cluster)
    choice = choose(options.soundfont)
    _refuse_unknown(lesson, choice.soundfont)
    library()
    with _plain_words(out), build_folder(out) as place:
        store = ManifestStore(out, lesson.title, place.found, place.making, lesson.part)
        order = _order(lesson, out, replace(options, settings=settings), choice.soundfont, store)
        refuse_foreign_files(order, store)
        heard = BuildProgress(progress)
        run = BuildRun(order, options, place, store, heard)
        run.through()
        packed = _zipped(out, store, place, heard) if options.extras.zip else None
        others = elsewhere(order, store.entries(TRACK_SECTION, order.replaced))
        return _pack(order, run, choice, packed, others, began)


def _refuse_unknown(lesson: Lesson, soundfont: Soundfont) -> None:
    """Raises DrillError where a drill asks for a soundfont, a format or a mix that there is not."""
    problems: list[Problem] = []
    for drill, item in zip(lesson.drills, lesson.written, strict=False):
        for instrument, name in drill.sounds.asked:
            try:
                numbered(soundfont, name)
            except RefusedError as refused:
                problems += refused_at(item, ("sounds", instrument), refused)
        problems += audio_problems(drill, item)
    if problems:
        raise DrillError(problems)


def _zipped(out: Path, store: ManifestStore, place: BuildFolder, progress: BuildProgress) -> Path:
    progress.last("the zip")
    return zip_pack(out, zip_path(out), store.files(), place.making)


def _kept_words(kept: Sequence[tuple[str, str]], sure: bool) -> Iterator[str]:
    """What a person had changed in a pack, or may have, and where it is now."""
    was, were = ("was", "were") if sure else ("may have been", "may have been")
    for name, other in kept[:_KEPT_TOLD]:
        yield f"{name} {was} changed by hand: that is kept as {other}"
    if len(kept) > _KEPT_TOLD:
        yield f"{len(kept) - _KEPT_TOLD} more files {were} changed by hand, and are kept likewise"


def _order(
    lesson: Lesson, pack: Path, options: Options, soundfont: Soundfont, store: ManifestStore
) -> Order:
    """What is asked for, in a pack that may have drills already."""
    folders = _folders(lesson, store)
    return Order(
        lesson=lesson,
        folders=folders.names,
        places=folders.places,
        pack=pack,
        tracks=plan(lesson.drills, folders.names),
        settings=options.settings,
        extras=options.extras,
        soundfont=soundfont,
    )


def _folders(lesson: Lesson, store: ManifestStore) -> Folders:
    """Each drill's folder, where other drills may have theirs."""
    places = {
        entry["folder"]: TakenFolder(entry["folder"], entry["drill"])
        for entry in (*store.entries(TRACK_SECTION), *store.damaged(TRACK_SECTION))
        if entry["folder"] and entry.get("drill")
    }
    return lesson_folders([drill.title for drill in lesson.drills], tuple(places.values()))


@contextmanager
def _plain_words(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise PackError(f"cannot write into {out}: {reason(error)}") from error


def _pack(
    order: Order,
    run: BuildRun,
    choice: SoundfontChoice,
    packed: Path | None,
    others: Sequence[str],
    began: float,
) -> Pack:
    entries = run.tracks()
    main = [order.pack / entry["files"]["play-along"] for entry in entries]
    return Pack(
        folder=order.pack,
        tracks=tuple(main),
        first=order.pack / (INDEX if order.extras.page else heard_first(entries[0])),
        alone=order.pack / ALONE if order.extras.alone else None,
        packed=packed,
        others=tuple(others),
        music=sum(entry["seconds"] for entry in entries),
        made=run.made,
        others_made=tuple(run.others),
        took=time.perf_counter() - began,
        soundfont=choice,
        warnings=run.warnings(),
    )
