"""The commands that make a pack and hand it round.

Groups of commands that `cli.py` puts together, and how all of them read a drill.

`drillgen build`: a pack of drills, made or brought up to date.

`drillgen serve`: a pack in the browsers of this machine, or of the class's phones.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from ipaddress import IPv4Address
from pathlib import Path
from shlex import quote
from threading import Thread
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drillgen.audio.formats import names_in_words
from drillgen.errors import DrillgenError, counted, exit_code

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson
    from drillgen.drill.models import Drill, Override
    from drillgen.pack.build import Pack
    from drillgen.serve.server import PackServer


# Files and folders that a person names.


class Named(click.Path):
    """A path that is not empty: a shell's variable that is not set leaves an empty text, and for
    Python that is the folder which one is in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("nothing is named", param, ctx)
        return super().convert(value, param, ctx)


# What every command does that reads drills: the options that replace what they say.

Command = TypeVar("Command", bound=Callable[..., Any])
# By the drill's key, what is written for it and what it does.
_OVERRIDES = {
    "tempo": ("TEMPO", "Beats a minute; several: 60,72,84."),
    "key": ("KEY", "The key in which chord symbols are written."),
    "key_cycle": ("CYCLE", "One key, a list (C,F,Bb) or a cycle."),
    "passes": ("N", "Passes in each key."),
    "bars": ("FROM-TO", "Only these bars of the line, as `check` counts them: 5-6."),
    "repeat": ("N", "How often these bars are played."),
    "feel": ("FEEL", "How time is played."),
    "swing": ("RATIO", "Long to short eighth note, 1 to 4."),
    "seed": ("N", "Another number, another performance."),
}


class OverrideError(DrillgenError):
    """A setting on the command line that says nothing."""


def overriding(command: Command) -> Command:
    """The options that replace what a drill says, on every command that reads one."""
    options = [
        click.option(f"--{key.replace('_', '-')}", metavar=written, help=what)
        for key, (written, what) in _OVERRIDES.items()
    ]
    options.append(
        click.option(
            "--set",
            "settings",
            metavar="KEY=VALUE",
            multiple=True,
            help="Any other key, dotted where it is nested: band.bass=walking.",
        )
    )
    for option in reversed(options):
        command = option(command)
    return command


def read(
    sources: Sequence[str],
    settings: Sequence[str],
    given: dict[str, str | None],
    sounds: Sequence[str] = (),
) -> Lesson:
    """The drills of all sources as one lesson, with the command line's overrides."""
    from drillgen.drill.lesson import load_all

    return load_all(sources, [*_overrides(settings, given), *_sounds(sounds)])


def _sounds(given: Sequence[str]) -> Iterator[Override]:
    """`--sound bass=own`, as the drill's key for it."""
    from drillgen.drill.models import Override

    for each in given:
        what, equals, name = (part.strip() for part in each.partition("="))
        if not (what and equals and name):
            raise OverrideError(f"--sound {each}: write WHAT=NAME, as in --sound bass=own")
        yield Override(f"sounds.{what}", name, f"--sound {each}", name)


def _overrides(settings: Sequence[str], given: dict[str, str | None]) -> list[Override]:
    from drillgen.drill.models import Override

    overrides = [
        Override(path, given[path] or "", f"--{path.replace('_', '-')} {given[path]}")
        for path in _OVERRIDES
        if given.get(path) is not None
    ]
    for setting in settings:
        path, equals, value = setting.partition("=")
        if not equals or not path.strip():
            raise OverrideError(f"--set {setting}: write KEY=VALUE, as in --set band.bass=walking")
        overrides.append(Override(path.strip(), value, f"--set {setting}"))
    return overrides


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
    try:
        for name, own, folder in _packs(lesson, out):
            with ProgressBar(quiet) as report:
                pack = make(own, folder, options, report)
            for warning in pack.warnings:
                click.echo(f"Note: {warning}", err=True)
            click.echo(name + _said(pack))
    except KeyboardInterrupt as error:
        with suppress(OSError):  # the terminal may be gone
            click.echo("\nStopped. What is finished is kept; build again to go on.", err=True)
        sys.exit(exit_code(error))
    if pack.soundfont.soundfont.poor and not quiet:
        click.echo(BETTER)


def _packs(lesson: Lesson, out: Path) -> Iterator[tuple[str, Lesson, Path]]:
    """What is built where, and what is said before it: a class's parts each in a folder of their
    own.  A new part begins with what one that hears the same has, and keeps of it what is equal."""
    from drillgen.pack.files import copied_whole
    from drillgen.pack.settings import distinct, safe

    if not lesson.parts:
        yield "", lesson, out
        return
    before: list[tuple[tuple[Drill, ...], Path]] = []
    for part, name in zip(
        lesson.parts, distinct([safe(p.name) for p in lesson.parts]), strict=True
    ):
        folder = out / name
        heard = tuple(drill.heard for drill in part.lesson.drills)
        like = next((path for drills, path in before if drills == heard), None)
        if like is not None and not folder.exists():
            copied_whole(like, folder)
        yield f"{part.name}: ", part.lesson, folder
        before.append((heard, folder))


def _listed(option: str, given: Sequence[str]) -> tuple[str, ...]:
    """Options that may be repeated, and hold several with commas.  Raises OverrideError where one
    is given and names nothing."""
    named = tuple(part.strip() for text in given for part in text.split(",") if part.strip())
    if given and not named:
        raise OverrideError(f"{option}: nothing is named; see drillgen build --help")
    return named


def _said(pack: Pack) -> str:
    """What there is now, and what to open first."""
    count = len(pack.tracks)
    tracks = f"{counted(count, 'track')} ({length(pack.music)} of music)"
    if not pack.made and not pack.others_made:
        done = f"Nothing to do: {tracks} in {pack.folder}, as they should be."
    elif not pack.made:
        others = [*pack.others_made[:_TOLD], *_more(len(pack.others_made) - _TOLD)]
        done = f"{tracks} in {pack.folder}, as they should be; made anew: {', '.join(others)}."
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


def length(seconds: float) -> str:
    """Hours, minutes and seconds in words."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


@click.command(short_help="Show a pack in a browser, or on the class's phones.")
@click.argument("folder", metavar="DIR", type=Named(path_type=Path))
@click.option("--lan", is_flag=True, help="For the phones on the local network, too.")
@click.option(
    "--address",
    metavar="IP",
    help="With --lan: which of this machine's addresses, where it has several.",
)
@click.option(
    "--port", type=click.IntRange(1, 65535), help="Instead of the first free one from 8000."
)
def serve(folder: Path, lan: bool, address: str | None, port: int | None) -> None:
    """Show a pack in a browser: on this machine only, or with --lan on the local network.

    Read-only; Ctrl-C stops it.
    """
    from drillgen.serve.server import open_server

    _refuse_other_folders(folder)
    with open_server(folder, _address(lan, address), port, shared=lan) as server:
        try:
            _say(folder, server)
            server.serve_forever()
        except KeyboardInterrupt:
            click.echo("\nStopped: nothing is served any more.")


@click.command(short_help="Hear drills at once, and go on writing them.")
@click.argument("sources", metavar="FILE…", nargs=-1, required=True)
@overriding
@click.option(
    "--port", type=click.IntRange(1, 65535), help="Instead of the first free one from 8000."
)
@click.option("--browser/--no-browser", default=True, help="Open a browser, or only say where.")
def play(
    sources: Sequence[str],
    port: int | None,
    browser: bool,
    settings: Sequence[str],
    **given: str | None,
) -> None:
    """Hear drills at once, on a page on this machine; nothing is kept.

    The files are followed, also those that they name: after each change the page loads itself
    again, or says what is wrong and where. Ctrl-C ends it.
    """
    from tempfile import TemporaryDirectory
    from webbrowser import open as show

    from drillgen.drill.reader import changed_at, files_read
    from drillgen.serve.door import HERE
    from drillgen.serve.server import Following, open_server

    with TemporaryDirectory(prefix="drillgen-", ignore_cleanup_errors=True) as made:
        first = Path(made) / "1"
        with files_read() as files:
            _make_page(read(sources, settings, given), first)
        with open_server(first, HERE, port) as server:
            server.following = Following()
            Thread(target=server.serve_forever, daemon=True).start()
            # Whoever reads that Ctrl-C ends it may press it before the next line runs.
            with suppress(KeyboardInterrupt):
                click.echo(f"{server.url}\nEdit on: this page follows your file. Ctrl-C ends it.")
                if browser:
                    show(server.url)
                while True:
                    _wait(files)
                    files = {file: changed_at(file) for file in files}
                    with files_read() as now:
                        _again(lambda to: _make_page(read(sources, settings, given), to), server)
                    files |= now
            server.shutdown()


@click.command()
@click.argument("source", metavar="PACK_OR_DRILL", type=Named())
@click.argument("recordings", metavar="RECORDING…", nargs=-1, required=True, type=Named())
@click.option("--track", metavar="NAME", help="Which track: its number, or a part of its name.")
@click.option("--key", metavar="KEY", help="Only the responses in this key.")
@click.option("--tempo", type=float, metavar="BPM", help="Only the tracks at this tempo.")
@click.option("--at", metavar="M:SS", help="Where in the track the recording begins, to a second.")
@click.option(
    "-o",
    "--out",
    type=Named(path_type=Path, file_okay=False),
    default=".",
    help="The folder for hear.json and hear.html; this one by default.",
)
def hear(
    source: str,
    recordings: Sequence[str],
    track: str | None,
    key: str | None,
    tempo: float | None,
    at: str | None,
    out: Path,
) -> None:
    """Hear which notes of recorded answers were right.

    And which were early, late, sharp, flat, short or missing. A pack, a drill's file or a preset,
    and recordings of its responses, with or without the band in them; an excerpt will do. Nothing
    leaves this machine.
    """
    from drillgen.take.asked import asked_of, chosen, second
    from drillgen.take.hear_files import files
    from drillgen.take.report import as_text, hear_all

    tracks = chosen(asked_of(source), track, key, tempo)
    takes = hear_all([Path(each) for each in recordings], tracks, second(at))
    click.echo(as_text(takes))
    for path in files(takes, out):
        click.echo(f"Written: {path}")


def _make_page(lesson: Lesson, pack: Path) -> None:
    """The page alone, without tracks and printed sheets.  Raises DrillgenError."""
    from drillgen.pack.build import build as make
    from drillgen.pack.settings import Extras, Options

    began = time.monotonic()
    made = make(lesson, pack, Options(extras=Extras(sheets=False, sound=False)))
    for said in (*lesson.remarks, *made.warnings):
        click.echo(f"Note: {said}", err=True)
    click.echo(f"{lesson.title}: ready in {time.monotonic() - began:.1f} s")


def _again(make: Callable[[Path], None], server: PackServer) -> None:
    """Make the page anew in a folder of its own, since drills may have gone, and have the one that
    is open know; or what is wrong, said on the page and in the terminal."""
    from shutil import rmtree

    following, old = server.following, server.root
    assert following is not None
    new = old.parent / f"{following.number + 1}"
    try:
        make(new)
    except DrillgenError as error:
        following.wrong = str(error)
        click.echo(str(error), err=True)
        rmtree(new, ignore_errors=True)
        return
    server.root = new
    following.number, following.wrong = following.number + 1, ""
    rmtree(old, ignore_errors=True)


_LOOK = 0.3  # seconds between looks at the files


def _wait(files: Mapping[Path, int]) -> None:
    """Until one of the files is another than when it was read."""
    from drillgen.drill.reader import changed_at

    while all(changed_at(file) == seen for file, seen in files.items()):
        time.sleep(_LOOK)


def _refuse_other_folders(folder: Path) -> None:
    """Only packs are served: a slip of the pen must not open a whole home folder to a class."""
    from drillgen.serve.server import ServeError

    if folder.is_file():
        raise ServeError(f"{folder} is a file; name a pack, the folder that build -o has made")
    if not folder.is_dir():
        raise ServeError(f"{folder}: there is no such folder; name a pack")
    if not is_pack(folder):
        raise ServeError(no_pack(folder))


def is_pack(folder: Path) -> bool:
    """Whether a folder is one that `build` has made."""
    from drillgen.pack.manifest import NAME

    return (folder / NAME).is_file()


def no_pack(folder: Path) -> str:
    """What is said of a folder that is none."""
    return f"{folder} is no pack (it has no manifest.json); name a pack"


def _address(lan: bool, given: str | None) -> IPv4Address:
    from drillgen.serve.door import HERE, local_address
    from drillgen.serve.server import ServeError

    if not lan:
        if given is not None:
            raise ServeError("--address is for --lan; without it only this machine is served")
        return HERE
    try:
        found = IPv4Address(given) if given is not None else local_address()
    except ValueError:
        raise ServeError(f"--address {given}: allowed: an address like 192.168.1.20") from None
    if found is None:
        raise ServeError(
            "this machine has no address on a local network; join one, or name it with --address"
        )
    return found


def _say(folder: Path, server: PackServer) -> None:
    """What has been opened, where, and who can see it."""
    if not server.shared:
        click.echo(f"{folder} is open on this machine only, at\n\n  {server.url}\n")
        click.echo("Nobody else can reach it, and nothing in it can be changed. Ctrl-C stops it.")
        return
    click.echo(f"{folder} is open on the local network, at\n\n  {server.url}\n")
    _show_code(server.url)
    click.echo(
        "Everyone on this network can read every file that its manifest lists, and change none;\n"
        "what is sent is not encrypted. A phone must be on the same network. Ctrl-C stops it."
    )


def _show_code(url: str) -> None:
    from drillgen.serve.door import qr_code

    code = qr_code(url)
    try:
        code.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return  # this terminal has no such signs; the address above does the same
    click.echo(code + "\n")
