"""`drillgen build`: a pack of drills, made or brought up to date; how far that is."""

from __future__ import annotations

import gc
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

import click

from drillgen.audio.formats import names_in_words
from drillgen.cli.checking import Named, length, overriding, read
from drillgen.errors import DrillgenError, counted, exit_code

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson
    from drillgen.drill.models import Drill
    from drillgen.pack.build import Pack


# How far a long piece of work is, and how long it will still take, for a person at a terminal.

_SURE = 0.03  # of the work: before that, how long the rest will take is anybody's guess
_SETTLED = 2.0  # seconds, likewise
_MANY = 90  # seconds: above it, minutes are told


class ProgressBar:
    """A progress bar on standard error, where that is a terminal."""

    def __init__(self, quiet: bool) -> None:
        self._began = time.monotonic()
        self._bar = (
            None
            if quiet or not sys.stderr.isatty()
            else click.progressbar(
                length=1000,
                file=sys.stderr,
                show_pos=False,
                show_eta=False,
                item_show_func=lambda what: what or "",
                label="Making the pack",
            )
        )

    def __enter__(self) -> Callable[[float, str], None]:
        if self._bar is not None:
            self._bar.__enter__()
        return self._report

    def __exit__(self, *details: Any) -> None:
        if self._bar is not None:
            self._bar.__exit__(*details)

    def _report(self, done: float, what: str) -> None:
        """`done`: by the work, not by the count, so that time can be told from it."""
        if self._bar is not None:
            left = time_left(done, time.monotonic() - self._began)
            shown = f"{left} · {what}" if left else what
            self._bar.update(max(round(done * 1000) - self._bar.pos, 0), shown)


def time_left(done: float, seconds: float) -> str:
    """How long the rest will take in words, if the share `done` took so many seconds; "" where that
    cannot be told yet, or it is done."""
    if done < _SURE or seconds < _SETTLED or done >= 1:
        return ""
    left = seconds * (1 - done) / done
    if left < 1:
        return "a moment left"
    return f"{left / 60:.0f} min left" if left > _MANY else f"{left:.0f} s left"


_TOLD = 4  # names of other drills; a course may have many


def _where(ctx: click.Context, _: click.Parameter, out: Path | None) -> Path | None:
    """The folder that is named.  Raises UsageError with one that would do."""
    if out is None and not ctx.resilient_parsing:
        sources: tuple[str, ...] = ctx.params.get("sources") or ("pack",)
        folder = quote(Path(sources[0]).stem)
        raise click.UsageError(f"Say which folder the pack goes to: -o {folder}", ctx)
    return out


@click.command(short_help="Make a pack of drills, or bring it up to date.")
@click.argument("sources", metavar="FILE…", nargs=-1, required=True)
@click.option(
    "-o",
    "--out",
    type=Named(path_type=Path, file_okay=False),
    callback=_where,
    help="The folder to make the pack in.  [required]",
)
@overriding
@click.option("--soundfont", metavar="NAME", help="A soundfont's name (see `soundfonts`) or file.")
@click.option(
    "--sound",
    "sounds",
    metavar="WHAT=NAME",
    multiple=True,
    help="Who plays an instrument: bass=own, piano='FluidR3 GM'.",
)
@click.option(
    "--room",
    metavar="ROOM",
    default="small",
    show_default=True,
    help="The room that the band is heard in: off, small, medium, large, or seconds of echo.",
)
@click.option("--stems", is_flag=True, help="Also write each part alone.")
@click.option("--loops", is_flag=True, help="Also write each key as a loop without a seam.")
@click.option(
    "--mixes",
    multiple=True,
    metavar="MIX,…",
    help="Other mixes besides: 'without bass', 'drums alone', …",
)
@click.option(
    "--format",
    "formats",
    multiple=True,
    metavar="FORMAT,…",
    help=f"{names_in_words()}; by default as before, or the first; several are all written.",
)
@click.option(
    "--loudness",
    type=float,
    metavar="LUFS",
    help="How loud the tracks are, all alike: -40 to -5; -16 by default.",
)
@click.option(
    "--ceiling",
    type=float,
    metavar="DBTP",
    help="What no peak passes: -20 to 0; -1 by default.",
)
@click.option(
    "--reference",
    is_flag=True,
    help="Have FluidSynth itself play every note: slow, to compare with.",
)
@click.option("--sheets/--no-sheets", default=True, help="With or without printed sheets.")
@click.option("--page/--no-page", default=True, help="With or without the practice page.")
@click.option("--single-file", is_flag=True, help="Also write the page as one file, page.html.")
@click.option("--zip", "packed", is_flag=True, help="Also make a zip of the pack, beside it.")
@click.option("--jobs", type=click.IntRange(1), help="How many cores to use; all by default.")
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Make the tracks on a Dask scheduler's workers: tcp://192.168.1.20:8786.",
)
@click.option("--quiet", is_flag=True, help="No progress bar.")
def build(
    sources: Sequence[str],
    out: Path,
    soundfont: str | None,
    sounds: Sequence[str],
    room: str,
    stems: bool,
    loops: bool,
    mixes: Sequence[str],
    formats: Sequence[str],
    loudness: float | None,
    ceiling: float | None,
    reference: bool,
    sheets: bool,
    page: bool,
    single_file: bool,
    packed: bool,
    jobs: int | None,
    cluster: str | None,
    quiet: bool,
    settings: Sequence[str],
    **given: str | None,
) -> None:
    """Make a pack of drills (files, or presets by name), or bring it up to date.

    What is there already, and would not come out otherwise, is not made again.
    """
    lesson = read(sources, settings, given, sounds)
    from drillgen.pack.build import build as make
    from drillgen.pack.settings import Extras, Options, Settings
    from drillgen.sound.soundfonts import BETTER

    sound = Settings(
        room=room,
        lufs=loudness,
        ceiling=ceiling,
        formats=_listed("--format", formats),
        mixes=_listed("--mixes", mixes),
        stems=stems,
        loops=loops,
        reference=reference,
    )
    options = Options(soundfont, sound, Extras(sheets, page, single_file, packed), jobs, cluster)
    for said in lesson.remarks:
        click.echo(f"Note: {said}", err=True)
    gc.freeze()  # what is loaded by now is never looked through, in no worker either
    try:
        for name, own, folder, like in _packs(lesson, out):
            with ProgressBar(quiet) as report:
                pack = make(own, folder, options, report)
            for warning in pack.warnings:
                click.echo(f"Note: {warning}", err=True)
            click.echo(name + _said(pack, like))
    except KeyboardInterrupt as error:
        with suppress(OSError):  # the terminal may be gone
            kept = "What is finished is kept; build again to go on."
            click.echo(f"\nStopped. {kept if out.exists() else 'Nothing was finished.'}", err=True)
        sys.exit(exit_code(error))
    if pack.soundfont.soundfont.poor and not quiet:
        click.echo(BETTER)


def _packs(lesson: Lesson, out: Path) -> Iterator[tuple[str, Lesson, Path, str]]:
    """What is built where, what is said before it, and whose pack it begins with: a class's parts
    each in a folder of their own.  A new part begins with what one that hears the same has, and
    keeps of it what is equal."""
    from drillgen.pack.files import copied_whole
    from drillgen.pack.settings import distinct, safe

    if not lesson.parts:
        yield "", lesson, out, ""
        return
    before: list[tuple[tuple[Drill, ...], Path]] = []
    for part, name in zip(
        lesson.parts, distinct([safe(p.name) for p in lesson.parts]), strict=True
    ):
        folder = out / name
        heard = tuple(drill.heard for drill in part.lesson.drills)
        like = next((path for drills, path in before if drills == heard), None)
        copied = like is not None and not folder.exists()
        if like is not None and copied:
            copied_whole(like, folder)
        yield f"{part.name}: ", part.lesson, folder, like.name if like and copied else ""
        before.append((heard, folder))


def _listed(option: str, given: Sequence[str]) -> tuple[str, ...]:
    """Options that may be repeated, and hold several with commas.  Raises DrillgenError where one
    is given and names nothing."""
    named = tuple(part.strip() for text in given for part in text.split(",") if part.strip())
    if given and not named:
        raise DrillgenError(f"{option}: nothing is named; see drillgen build --help")
    return named


def _said(pack: Pack, like: str = "") -> str:
    """What there is now, and what to open first; `like`: whose pack it was before this build."""
    count = len(pack.tracks)
    tracks = f"{counted(count, 'track')} ({length(pack.music)} of music)"
    there = f"the same as of {like}" if like else "as they should be"
    if like and not pack.made and not pack.others_made:
        done = f"{tracks} in {pack.folder}, {there}."
    elif not pack.made and not pack.others_made:
        done = f"Nothing to do: {tracks} in {pack.folder}, as they should be."
    elif not pack.made:
        others = [*pack.others_made[:_TOLD], *_more(len(pack.others_made) - _TOLD)]
        done = f"{tracks} in {pack.folder}, {there}; made anew: {', '.join(others)}."
    elif pack.made < count:
        done = f"Made {pack.made} of {tracks} in {pack.folder} in {pack.took:.1f} s."
    else:
        done = f"Made {tracks} in {pack.folder} in {pack.took:.1f} s."
    return "\n".join([done, *_there(pack)])


def _there(pack: Pack) -> Iterator[str]:
    """What to do with it, a line each."""
    if pack.others:
        shown = [*pack.others[:_TOLD], *_more(len(pack.others) - _TOLD)]
        yield f"Also there, from earlier builds: {', '.join(shown)}."
    yield f"Open first: {pack.first}"
    if pack.alone:
        yield f"The page in one file, to send: {pack.alone}"
    if pack.packed:
        near = pack.packed if pack.folder.is_absolute() else os.path.relpath(pack.packed)
        yield f"The whole pack, to send: {near}"


def _more(count: int) -> Iterator[str]:
    if count > 0:
        yield f"{count} more"
