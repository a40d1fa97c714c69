"""What a person types.  Everything heavy is imported by the command that needs it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drillgen.errors import DrillgenError
from drillgen.version import VERSION

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson
    from drillgen.drill.overrides import Override
    from drillgen.pack.build import Pack

_INTERRUPTED = 130  # 128 + SIGINT, as shells report it
Command = TypeVar("Command", bound=Callable[..., Any])
_OVERRIDES = ("tempo", "key", "key_cycle", "passes", "seed", "feel", "swing")


class Plain(click.ClickException):
    """A person's error: its words on standard error, exit code 2, no traceback."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        click.echo(self.message, err=True)


class Commands(click.Group):
    """Turns the errors that a person can mend into plain words."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except DrillgenError as error:
            raise Plain(str(error)) from error
        except KeyboardInterrupt:
            click.echo("\nStopped. Every file that is there is whole.", err=True)
            sys.exit(_INTERRUPTED)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, prog_name="drillgen")
def main() -> None:
    """From a short YAML drill to a practice pack: a band, a line to imitate, gaps to answer in."""


def overriding(command: Command) -> Command:
    """The options that replace what a drill says, on every command that reads one."""
    options = [
        click.option("--tempo", metavar="TEMPO", help="Beats a minute; several: 60,72,84."),
        click.option("--key", metavar="KEY", help="The key in which chord symbols are written."),
        click.option("--key-cycle", metavar="CYCLE", help="One key, a list (C,F,Bb) or a cycle."),
        click.option("--passes", metavar="N", help="Passes in each key."),
        click.option("--feel", metavar="FEEL", help="How time is played."),
        click.option("--swing", metavar="RATIO", help="Long to short eighth note, 1 to 4."),
        click.option("--seed", metavar="N", help="Another number, another performance."),
        click.option(
            "--set",
            "settings",
            metavar="KEY=VALUE",
            multiple=True,
            help="Any other key, dotted where it is nested: band.bass=walking.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


@main.command()
@click.argument("sources", metavar="FILE…", nargs=-1, required=True)
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="The folder to make the pack in.",
)
@overriding
@click.option("--soundfont", metavar="NAME", help="A soundfont's name (see `soundfonts`) or file.")
@click.option(
    "--room",
    type=click.Choice(["off", "small", "medium"]),
    default="small",
    show_default=True,
    help="The room that the band is heard in.",
)
@click.option("--stems", is_flag=True, help="Also write each part alone.")
@click.option("--jobs", type=click.IntRange(1), help="How many cores to use; all by default.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def build(
    sources: Sequence[str],
    out: Path,
    soundfont: str | None,
    room: str,
    stems: bool,
    jobs: int | None,
    quiet: bool,
    settings: Sequence[str],
    **given: str | None,
) -> None:
    """Make a pack of drills: files, or presets by name."""
    lesson = _read(sources, settings, given)
    from drillgen.pack.build import Options
    from drillgen.pack.build import build as make
    from drillgen.progress import ProgressBar

    with ProgressBar(quiet) as report:
        pack = make(lesson, out, Options(soundfont, room, stems, jobs), report)
    for warning in pack.warnings:
        click.echo(f"Note: {warning}", err=True)
    click.echo(_made(pack))


@main.command()
@click.argument("sources", metavar="FILE…", nargs=-1, required=True)
@overriding
def check(sources: Sequence[str], settings: Sequence[str], **given: str | None) -> None:
    """Check drills and show their charts, bar by bar, with fingerings where they ask for them."""
    lesson = _read(sources, settings, given)
    from drillgen.sheet.review import review

    for drill in lesson.drills:
        for text in review(drill):
            click.echo(text + "\n")


@main.command()
def schema() -> None:
    """Print the JSON Schema of drills and lessons, for an editor."""
    from drillgen.drill.schema import as_text

    click.echo(as_text(), nl=False)


@main.group()
def presets() -> None:
    """The drills that come along: list, show, copy."""


@presets.command("list")
def list_() -> None:
    """List the presets, by what is being learned."""
    from drillgen.drill.presets import list_presets

    group = ""
    for preset in list_presets():
        if preset.group != group:
            group = preset.group
            click.echo(click.style(f"\n{group}" if group else "", bold=True))
        click.echo(f"  {preset.name:<28} {preset.title}")


@presets.command()
@click.argument("name")
def show(name: str) -> None:
    """Print a preset's YAML."""
    from drillgen.drill.presets import preset_path

    click.echo(preset_path(name).read_text("utf-8"), nl=False)


@presets.command()
@click.argument("name")
@click.argument("target", type=click.Path(path_type=Path), required=False)
def copy(name: str, target: Path | None) -> None:
    """Copy a preset to a file of your own, to change it; its schema comes along."""
    from drillgen.drill.presets import copied, preset_path

    source = preset_path(name)
    target = target or Path(source.name)
    if target.is_dir():
        target /= source.name
    if target.exists():
        raise Plain(f"{target} is there already; name another file")
    try:
        copied(source, target)
    except OSError as error:
        raise Plain(f"cannot write {target}: {(error.strerror or str(error)).lower()}") from error
    click.echo(f"Copied to {target}. Change it, then: drillgen check {target}")


@main.command()
@click.option("--soundfont", metavar="NAME", help="Which one would be used if you asked for it.")
def soundfonts(soundfont: str | None) -> None:
    """List the soundfonts found, their licences, and which one is used and why."""
    from drillgen.sound.soundfonts import choose, find_soundfonts

    choice = choose(soundfont)
    for font in find_soundfonts():
        mark = "→" if font.path == choice.soundfont.path else " "
        click.echo(f"{mark} {font.name}\n    {font.path}\n    licence: {font.licence}")
    click.echo(f"\n{choice.soundfont.name} will be used: {choice.why}.")


def _read(sources: Sequence[str], settings: Sequence[str], given: dict[str, str | None]) -> Lesson:
    """The drills of all sources as one lesson, with the command line's overrides."""
    from drillgen.drill.lesson import load_all

    return load_all(sources, _overrides(settings, given))


def _overrides(settings: Sequence[str], given: dict[str, str | None]) -> list[Override]:
    from drillgen.drill.overrides import Override

    overrides = [
        Override(path, given[path] or "", f"--{path.replace('_', '-')} {given[path]}")
        for path in _OVERRIDES
        if given.get(path) is not None
    ]
    for setting in settings:
        path, equals, value = setting.partition("=")
        if not equals or not path.strip():
            raise Plain(f"--set {setting}: write KEY=VALUE, as in --set band.bass=walking")
        overrides.append(Override(path.strip(), value, f"--set {setting}"))
    return overrides


def _made(pack: Pack) -> str:
    minutes, seconds = divmod(round(pack.music), 60)
    count = len(pack.tracks)
    return (
        f"Made {count} track{'s' if count != 1 else ''} "
        f"({minutes} min {seconds:02d} s of music) in {pack.folder} in {pack.took:.1f} s.\n"
        f"Open first: {pack.first}"
    )
