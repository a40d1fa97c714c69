"""What is made of each drill: its tracks, its sheets and its part of the practice page.

Each drill is written, played, fingered and composed once.

What is written and played is given as a value to all that is made of it: recordings and MIDI,
sheets, the practice page.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from drillgen.audio.formats import writers_of
from drillgen.drill.lesson import Lesson
from drillgen.drill.models import Drill
from drillgen.pack.files import PackError, write_whole
from drillgen.pack.manifest import ManifestEntry
from drillgen.pack.settings import BOOKLET, Extras, Planned, PlayedTrack, Settings, TrackJob
from drillgen.pack.tasks import PackTask, Shared, Workspace, cache_key_of, program
from drillgen.page import FOLDER, INDEX
from drillgen.sound.soundfonts import Soundfont

if TYPE_CHECKING:
    from drillgen.chart import Chart
    from drillgen.page import Picture, Reading, Take
    from drillgen.score import Part, Score
    from drillgen.sheet.sheets import Sheet, Sheets


TRACK_SECTION = "tracks"
# Of a track's work: its line written, its band written and all played, its share of the notes, and
# the rest, which is recording.
_LINE, _WRITING, _NOTES, _RECORDING = 0.05, 0.35, 0.1, 0.5
NOTES_KEY = "notes"


def line_task(planned: Planned) -> PackTask:
    """The task of a track's line, for those who need nothing else: its value is a part or None."""
    weight = planned.seconds * _LINE
    return PackTask(
        f"line {planned.number}", "", planned.folder, planned.name, weight, _write_line, planned
    )


def _write_line(planned: Planned, place: Workspace) -> Part | None:
    from drillgen.lines.kinds import line

    return line(_chart(planned))


def writing_task(planned: Planned) -> PackTask:
    """The task of a track's score and performance: its value is a `PlayedTrack`."""
    weight = planned.seconds * _WRITING
    key = f"track {planned.number}"
    needs = (line_task(planned),)
    return PackTask(key, "", planned.folder, planned.name, weight, _write, planned, needs=needs)


def _write(planned: Planned, place: Workspace, line: Part | None) -> PlayedTrack:
    from drillgen.arrange import accompanied
    from drillgen.performance import perform

    chart = _chart(planned)
    score = accompanied(chart, line)
    return PlayedTrack(planned.folder, planned.name, chart, score, perform(score))


def _chart(planned: Planned) -> Chart:
    from drillgen.chart import charts

    (chart,) = charts(planned.drill)
    return chart


def bank_task(tracks: Sequence[PackTask], soundfont: Soundfont) -> PackTask:
    """The task of rendering every note of some tracks into the cache, before several processes
    would each render the same ones.  Its value is nothing; those who need the notes have them
    rendered where it fails."""
    weight = sum(task.weight for task in tracks) / _WRITING * _NOTES
    needs = tuple(tracks)
    return PackTask(NOTES_KEY, "", "", "the notes", weight, _render_notes, soundfont, needs=needs)


def _render_notes(soundfont: Soundfont, place: Workspace, *tracks: PlayedTrack) -> None:
    from drillgen.sound.render import prepare_notes

    performances = [track.performance for track in tracks]
    prepare_notes(performances, soundfont, place.jobs, lambda done, what: place.report(done))


def track_tasks(
    planned: Sequence[Planned],
    album: str,
    settings: Settings,
    before: Mapping[str, tuple[str, ...]],
    soundfont: Soundfont,
) -> Iterator[PackTask]:
    """A task for each track; `before`: by folder the formats of its earlier tracks.  Raises
    SoundError where there is no FluidSynth."""
    from drillgen.sound.library import library

    base = (program(), library().version, album)
    for track in planned:
        own = settings.of(track.drill.audio, before.get(track.folder, ()))
        encoders = writers_of(own.formats)
        yield PackTask(
            key=cache_key_of(
                *base, own, encoders, _heard(track), _fingerprints(soundfont, track.drill)
            ),
            section=TRACK_SECTION,
            folder=track.folder,
            label=track.name,
            weight=track.seconds * _RECORDING,
            work=_make,
            job=TrackJob(track, album, own, soundfont, soundfont.sha256),
            needs=(writing_task(track),),
        )


def _heard(track: Planned) -> Planned:
    """A track as far as its sound and its MIDI follow from it: who reads its sheet is not heard."""
    return replace(track, drill=track.drill.heard)


def _fingerprints(soundfont: Soundfont, drill: Drill) -> tuple[str, ...]:
    """The SHA-256 of all soundfonts whose sounds may be heard in a drill."""
    return tuple(font.sha256 for font in soundfont.heard_of(drill.sounds))


def _make(job: TrackJob, place: Workspace, track: PlayedTrack) -> ManifestEntry:
    from drillgen.pack.recording import make_track

    return make_track(job, track, place)


SHEET_SECTION, BOOKLET_SECTION = "sheets", "booklet"
# Seconds of music that take as long to render as a drill's sheets to compose, to draw for the page,
# and to set.
_COMPOSING, _DRAWING, _WEIGHT = 20.0, 100.0, 120.0
_LETTERS = 40  # that are named where no font has them


@dataclass(frozen=True, slots=True)
class DrillSheets:
    """The sheets of a drill, their pictures where the page is asked for, and what is to be said."""

    sheets: Sheets
    readings: Shared  # a tuple of `Reading`: who prints or binds the sheets does not unpack them
    warning: str = ""


@dataclass(frozen=True, slots=True)
class ComposeJob:
    """A drill whose sheets are to be composed."""

    drill: Drill
    folder: str
    extras: Extras
    tracks: tuple[Planned, ...]  # of its first tempo, which all share their sheets


def composing_task(
    drill: Drill, folder: str, number: int, tracks: Sequence[Planned], extras: Extras
) -> PackTask:
    """The task of a drill's sheets, from all of its tracks: its value is a `DrillSheets`.

    `number`: of the drill in its lesson, from 0.
    """
    first = tuple(
        planned
        for planned in tracks
        if planned.folder == folder and planned.drill.tempos[0] == drill.tempos[0]
    )
    return PackTask(
        f"sheets {number}",
        "",
        folder,
        f"{folder}: sheets",
        _COMPOSING + (_DRAWING if extras.page else 0.0),
        _compose,
        ComposeJob(drill, folder, extras, first),
        needs=tuple(map(line_task, first)),
    )


def _compose(job: ComposeJob, place: Workspace, *lines: Part | None) -> DrillSheets:
    """Raises UnplayableError where a printed sheet asks for what no hand can play."""
    from drillgen.chart import charts
    from drillgen.pack.preflight import explained
    from drillgen.score import Score
    from drillgen.sheet.fingering import FingeringError

    # Charts of the whole drill: the tracks' own know no other tempo, which the sheets' heads name.
    whole = charts(job.drill)[: len(lines)]
    scores = [
        Score(chart, (line,) if line is not None else ())
        for chart, line in zip(whole, lines, strict=True)
    ]
    try:
        return _drawn(_sheets(scores), job)
    except FingeringError as error:
        if job.extras.sheets:
            raise explained(job.drill, scores, error) from error
        said = f'"{job.drill.title}" is on the page without its fingering or tablature: {error}'
        return _drawn(_sheets([_bare(score) for score in scores]), job, said)


def _drawn(found: Sheets, job: ComposeJob, warning: str = "") -> DrillSheets:
    readings = tuple(_readings(found, job)) if job.extras.page else ()
    return DrillSheets(found, Shared(readings), warning)


def _sheets(scores: Sequence[Score]) -> Sheets:
    """With their MusicXML, which is kept with them."""
    from drillgen.sheet.sheets import sheets

    found = sheets(scores)
    for sheet in found.all:
        _ = sheet.musicxml, [section.musicxml for section in sheet.sections]
    return found


def _bare(score: Score) -> Score:
    """Without the hand that its sheet asks for."""
    drill = score.chart.drill
    spec = drill.sheet.model_copy(update={"fingering": None, "tablature": False})
    chart = replace(score.chart, drill=drill.model_copy(update={"sheet": spec}))
    return replace(score, chart=chart)


@dataclass(frozen=True, slots=True)
class SheetJob:
    """A drill whose sheets are printed."""

    drill: Drill
    folder: str


def sheet_tasks(
    drills: Sequence[tuple[Drill, str]], composing: Sequence[PackTask]
) -> tuple[PackTask, ...]:
    """A task for the sheets of each drill with its folder, which another task composes."""
    return tuple(
        PackTask(
            key=cache_key_of(program(), engravers(), drill, folder),
            section=SHEET_SECTION,
            folder=folder,
            label=f"{folder}: sheets",
            weight=_WEIGHT,
            work=_print,
            job=SheetJob(drill, folder),
            needs=(composed,),
        )
        for (drill, folder), composed in zip(drills, composing, strict=True)
    )


def booklet_tasks(lesson: Lesson, composing: Sequence[PackTask]) -> tuple[PackTask, ...]:
    """The task of a lesson's booklet from its drills' sheets; none for a single drill."""
    if len(lesson.drills) < 2:
        return ()
    lesson = replace(lesson, written=(), part=0)  # what is not printed
    key = cache_key_of(program(), engravers(), lesson)
    weight = _WEIGHT * len(lesson.drills)
    needs = tuple(composing)
    return (PackTask(key, BOOKLET_SECTION, "", "the booklet", weight, _bind, lesson, needs=needs),)


@cache
def engravers() -> tuple[str, ...]:
    """The versions of what draws and sets: other ones may draw otherwise."""
    return tuple(f"{name} {version(name)}" for name in ("verovio", "typst"))


def _papers(folder: str, found: Sequence[Sheet]) -> tuple[tuple[str, str], ...]:
    """What the page says of the PDF of a reader's sheet and of the answers, and where each lies."""
    labels = ("Sheet (PDF)", "Answers (PDF)")
    return tuple(
        (label, f"{folder}/{_name(sheet)}.pdf") for label, sheet in zip(labels, found, strict=False)
    )


def _name(sheet: Sheet) -> str:
    return f"sheet {sheet.name}".strip()


def _print(job: SheetJob, place: Workspace, composed: DrillSheets) -> ManifestEntry:
    from drillgen.sheet.pdf import lacking, pdf
    from drillgen.sheet.svg import whole_svg

    files, lacks = {}, ""
    for sheet in composed.sheets.all:
        forms = {
            "musicxml": sheet.musicxml.encode("utf-8"),
            "svg": whole_svg(sheet.title, sheet.sections).encode("utf-8"),
            "pdf": pdf(sheet),
        }
        name = _name(sheet)
        paths = {form: PurePosixPath(job.folder) / f"{name}.{form}" for form in forms}
        for form, content in forms.items():
            (place.folder / paths[form]).parent.mkdir(parents=True, exist_ok=True)
            write_whole(place.folder / paths[form], content)
        files[name] = {form: str(path) for form, path in paths.items()}
        lacks += lacking(forms["pdf"], _words(sheet))
    entry = {"drill": job.drill.title, "folder": job.folder, "files": files}
    return entry | _warnings(job.drill.title, lacks)


def _words(sheet: Sheet) -> str:
    """What is printed of a person's own words."""
    return "".join([sheet.title, sheet.note, *(section.label for section in sheet.sections)])


def _warnings(title: str, lacks: str) -> dict[str, list[str]]:
    letters = "".join(dict.fromkeys(lacks))[:_LETTERS]
    said = f'no font on this machine has {letters}: the PDF of "{title}" shows empty boxes for it'
    return {"warnings": [said]} if letters else {}


def _bind(lesson: Lesson, place: Workspace, *composed: DrillSheets) -> ManifestEntry:
    """The sheets of every drill in one PDF for each reader, answers after all of them."""
    from drillgen.sheet.pdf import Booklet, booklet, lacking

    drills, files, lacks = [each.sheets for each in composed], {}, ""
    for reader, name in booklets(lesson.drills).items():
        handed, answers = _handed_and_answers(drills, reader)
        count = sum(bool(each.of(reader)) for each in drills)
        said = (handed[0].reader if reader else "", f"{count} drills", lesson.note)
        cover = Booklet(lesson.title, tuple(filter(None, said)))
        content = booklet(cover, handed, answers)
        write_whole(place.folder / name, content)
        lacks += lacking(content, "".join((lesson.title, *cover.lines)))
        files[name.removesuffix(".pdf")] = name
    own = _warnings(lesson.title, "".join(each for each in lacks if each in lesson.title))
    return {"files": files} | own


def booklets(drills: Iterable[Drill]) -> dict[str, str]:
    """The names of a lesson's booklets by who reads them: "" for the player, then each of the other
    readers of its drills."""
    readers = dict.fromkeys(name for drill in drills for name in drill.sheet.also_for)
    return {"": BOOKLET, **{name: f"booklet for {name}.pdf" for name in readers}}


def _handed_and_answers(
    drills: Sequence[Sheets], reader: str = ""
) -> tuple[list[Sheet], list[Sheet]]:
    """A reader's sheets of a lesson, and the answers to them."""
    own = [found.of(reader) for found in drills]
    return [s for each in own for s in each[:1]], [s for each in own for s in each[1:]]


PAGE_SECTION, OVER_ALL = "page", "index"
_PAGE_WEIGHT = 120.0  # seconds of music that take as long to render as a drill's part of the page
_NARROW = 2  # bars a system where the page is a phone's


@dataclass(frozen=True, slots=True)
class PageJob:
    """A drill on the page."""

    drill: Drill
    folder: str
    soundfont: Soundfont


@dataclass(frozen=True, slots=True)
class IndexJob:
    """The document: the entries of the drills, in order."""

    title: str
    drills: tuple[ManifestEntry, ...]
    soundfont: str
    licence: str
    room: str | float
    alone: Path | None  # the pack, where a page in one file is asked for as well


def page_tasks(
    drills: Sequence[tuple[Drill, str]],
    tracks: Sequence[Planned],
    composing: Sequence[PackTask],
    soundfont: Soundfont,
    extras: Extras,
) -> tuple[PackTask, ...]:
    """A task for each drill with its folder, from the tracks there and its sheets as they are
    composed.  Raises SoundError where there is no FluidSynth."""
    from drillgen.sound.library import library

    base = (program(), engravers(), library().version, extras.sheets)
    return tuple(
        PackTask(
            key=cache_key_of(*base, drill, folder, _fingerprints(soundfont, drill)),
            section=PAGE_SECTION,
            folder=folder,
            label=f"{folder}: page",
            weight=_PAGE_WEIGHT,
            work=_make_page,
            job=PageJob(drill, folder, soundfont),
            needs=(composed, *_written(tracks, folder)),
        )
        for (drill, folder), composed in zip(drills, composing, strict=True)
    )


def _written(tracks: Sequence[Planned], folder: str) -> Iterator[PackTask]:
    return (writing_task(track) for track in tracks if track.folder == folder)


def index_task(job: IndexJob) -> PackTask:
    """The task of the document over the drills' entries."""
    said = (job.title, job.drills, job.soundfont, job.licence, job.room, job.alone is not None)
    key = cache_key_of(program(), *said)
    return PackTask(key, OVER_ALL, "", "the page", 1.0, _write_index, job, here=True)


def _make_page(
    job: PageJob, place: Workspace, composed: DrillSheets, *tracks: PlayedTrack
) -> ManifestEntry:
    from drillgen.pack.recording import here
    from drillgen.page import Stand
    from drillgen.page.html import write_drill

    stand = Stand(
        folder=job.folder,
        keys=job.drill.keys_played,
        takes=_takes(job.drill, tracks),
        readings=composed.readings.value,
    )
    font = here(job.soundfont, job.soundfont.sha256)
    entry = write_drill(place.folder, stand, font, place.jobs)
    return entry | ({"warnings": [composed.warning]} if composed.warning else {})


def _takes(drill: Drill, tracks: Sequence[PlayedTrack]) -> tuple[Take, ...]:
    """Every track as it is played, each of them one of the whole drill's."""
    from drillgen.chart import charts
    from drillgen.page import Take

    return tuple(
        Take(chart, replace(track.score, chart=chart), replace(track.performance, chart=chart))
        for chart, track in zip(charts(drill), tracks, strict=True)
    )


def _readings(found: Sheets, job: ComposeJob) -> Iterator[Reading]:
    """The sheets of everybody who reads the drill, for the page to choose from."""
    from drillgen.page import Reading
    from drillgen.sheet.reader import readers

    hidden = job.drill.line is not None and job.drill.line.dictation
    for name, reader in readers(job.drill):
        handed, *answers = found.of(name)
        pictures = _pictures(handed, None if hidden or not answers else answers[0])
        papers = _papers(job.folder, found.of(name)) if job.extras.sheets else ()
        yield Reading(name, reader, pictures, handed.shown_in, papers)


def _pictures(handed: Sheet, answers: Sheet | None) -> tuple[Picture, ...]:
    """Those of a handout and of its answers, which the page of a dictated line has not."""
    from drillgen.page import Picture

    named = (answers or handed).sections
    drawn = _strips(handed)
    solved = _strips(answers) if answers else [("", "")] * len(drawn)
    return tuple(
        Picture(wide, narrow, answer, narrow_answer, section.names, section.label)
        for (wide, narrow), (answer, narrow_answer), section in zip(
            drawn, solved, named, strict=True
        )
    )


def _strips(sheet: Sheet) -> list[tuple[str, str]]:
    """Each key for wide and for narrow pages; the page brings the font."""
    from drillgen.sheet.svg import strips

    wide = strips(sheet.sections, fonts=False)
    narrow = strips(sheet.sections, bars_a_system=_NARROW, fonts=False, narrow=True)
    return list(zip(wide, narrow, strict=True))


def _write_index(job: IndexJob, place: Workspace) -> ManifestEntry:
    from drillgen.page import Licence
    from drillgen.page.html import write_alone, write_index

    licence = Licence(job.soundfont, job.licence)
    names = write_index(place.folder, job.title, job.drills, licence, room=job.room)
    if job.alone is not None:
        try:
            names += write_alone(
                place.folder, job.alone, job.title, job.drills, licence, room=job.room
            )
        except (ValueError, RecursionError) as error:
            raise PackError(
                f"{job.alone / FOLDER} has a script that no build has written:"
                " remove that folder, and build its drills again"
            ) from error
    return {"files": {"index": INDEX, "parts": names}}
