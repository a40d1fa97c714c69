"""What is done with a pack: `drillgen serve` shows it, `register` lists it, `hear` judges answers.

`drillgen play` makes one that is heard at once and not kept.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from ipaddress import IPv4Address
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import click

from drillgen.cli.checking import Named, overriding, read
from drillgen.errors import DrillgenError, reason

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson
    from drillgen.serve.server import PackServer


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
    _say_damage(folder)
    with open_server(folder, _address(lan, address), port, shared=lan) as server:
        try:
            _say(folder, server)
            server.serve_forever()
        except KeyboardInterrupt:
            click.echo("\nStopped: nothing is served any more.")


def _refuse_other_folders(folder: Path) -> None:
    """Only packs are served: a slip of the pen must not open a whole home folder to a class."""
    from drillgen.serve.server import ServeError

    if folder.is_file():
        raise ServeError(f"{folder} is a file; name a pack, the folder that build -o has made")
    if not folder.is_dir():
        raise ServeError(f"{folder}: there is no such folder; name a pack")
    if not is_pack(folder):
        raise ServeError(no_pack(folder))
    from drillgen.pack.manifest import lost

    if said := lost(folder):
        raise ServeError(said)


def _say_damage(pack: Path) -> None:
    """What of a pack cannot be shown, and why."""
    from drillgen.pack.manifest import damage

    if said := damage(pack):
        click.echo(f"Note: {said}", err=True)


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


@click.command(short_help="List what a pack holds, for the teacher.")
@click.argument("folder", metavar="DIR", type=Named(path_type=Path))
@click.option(
    "-o", "--out", metavar="FILE", type=Named(path_type=Path), help="Write it as PDF, to print."
)
def register(folder: Path, out: Path | None) -> None:
    """List what a pack holds: drills, keys, tempos, lengths, where the answers are.

    For the teacher: on the terminal, or as a page to print. DIR may hold the packs of a class.
    """
    from drillgen.disk import whole_file
    from drillgen.pack.handout import REGISTER_HEAD, as_columns
    from drillgen.pack.handout import register as registered
    from drillgen.pack.manifest import lost

    packs = [folder] if is_pack(folder) else sorted(filter(is_pack, _inside(folder)))
    if not packs:
        raise DrillgenError(no_pack(folder))
    losses = {pack: said for pack in packs if (said := lost(pack))}
    if len(losses) == len(packs):
        raise DrillgenError("\n".join(losses.values()))
    for said in losses.values():
        click.echo(f"Note: {said}", err=True)
    whole = [pack for pack in packs if pack not in losses]
    for pack in whole:
        _say_damage(pack)
    read = {"" if pack == folder else pack.name: registered(pack) for pack in whole}
    in_order = sorted(read.items(), key=lambda each: each[1].part)
    found = {name: each for name, each in in_order if each.rows}
    if not found:
        raise DrillgenError(f"{folder}: no track is finished here; allowed: a pack with tracks")
    if out is None:
        for name, each in found.items():
            click.echo((f"{name}: " if name else "") + as_columns(each) + "\n")
        return
    from drillgen.sheet.pdf import register as as_pdf

    parts = [{"name": name, "rows": each.rows, "total": each.total} for name, each in found.items()]
    content = as_pdf(next(iter(found.values())).title, REGISTER_HEAD, parts)
    try:
        with whole_file(out) as file:
            file.write(content)
    except OSError as error:
        raise DrillgenError(f"cannot write {out}: {reason(error)}") from error
    click.echo(f"To print: {out}")


def _inside(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []


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

    from drillgen.drill.files import changed_at, files_read
    from drillgen.serve.door import HERE
    from drillgen.serve.server import Following, open_server

    with TemporaryDirectory(prefix="drillgen-", ignore_cleanup_errors=True) as made:
        first = Path(made) / "1"
        with files_read() as files:
            lesson = read(sources, settings, given)
            click.echo("Making the page …", err=True)
            click.echo(_make_page(lesson, first))
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


def _make_page(lesson: Lesson, pack: Path) -> str:
    """The page alone, without tracks and printed sheets; returns what is said of it when it is
    there to be seen.  Raises DrillgenError."""
    from drillgen.pack.build import build as make
    from drillgen.pack.settings import Extras, Options

    began = time.monotonic()
    made = make(lesson, pack, Options(extras=Extras(sheets=False, sound=False)))
    for said in (*lesson.remarks, *made.warnings):
        click.echo(f"Note: {said}", err=True)
    return f"{lesson.title}: ready in {time.monotonic() - began:.1f} s"


def _again(make: Callable[[Path], str], server: PackServer) -> None:
    """Make the page anew in a folder of its own, since drills may have gone, and have the one that
    is open know; or what is wrong, said on the page and in the terminal."""
    from shutil import rmtree

    following = server.following
    assert following is not None
    old, older = server.root, following.before
    new = old.parent / f"{int(old.name) + 1}"
    try:
        ready = make(new)
    except DrillgenError as error:
        following.wrong = str(error)
        click.echo(str(error), err=True)
        rmtree(new, ignore_errors=True)
        return
    following.before, following.wrong = old, ""
    server.root = new
    click.echo(ready)
    if older is not None:
        rmtree(older, ignore_errors=True)


_LOOK = 0.3  # seconds between looks at the files


def _wait(files: Mapping[Path, int]) -> None:
    """Until one of the files is another than when it was read."""
    from drillgen.drill.files import changed_at

    while all(changed_at(file) == seen for file, seen in files.items()):
        time.sleep(_LOOK)
