"""`drillgen serve`: a pack in the browsers of this machine, or of the class's phones."""

from __future__ import annotations

import sys
from ipaddress import IPv4Address
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drillgen.commands import Named

if TYPE_CHECKING:
    from drillgen.serve.server import PackServer


@click.command()
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


def _refuse_other_folders(folder: Path) -> None:
    """Only packs are served: a slip of the pen must not open a whole home folder to a class."""
    from drillgen.serve.server import ServeError

    if folder.is_file():
        raise ServeError(f"{folder} is a file; name a pack, the folder that build -o has made")
    if not folder.is_dir():
        raise ServeError(f"{folder}: there is no such folder; name a pack")
    if not (folder / "manifest.json").is_file():
        raise ServeError(f"{folder} is no pack (it has no manifest.json); name a pack")


def _address(lan: bool, given: str | None) -> IPv4Address:
    from drillgen.serve.reach import HERE, local_address
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
    from drillgen.serve.reach import qr_code

    code = qr_code(url)
    try:
        code.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return  # this terminal has no such signs; the address above does the same
    click.echo(code + "\n")
