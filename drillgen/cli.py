"""What a person types.  Everything heavy is imported by the command that needs it."""

from __future__ import annotations

import gc
import io
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from drillgen.commands import (
    Named,
    OverrideError,
    build,
    hear,
    is_pack,
    length,
    no_pack,
    overriding,
    play,
    read,
    serve,
)
from drillgen.errors import (
    DrillgenError,
    counted,
    end_in_order,
    ending_behind,
    exit_code,
    reason,
)
from drillgen.version import VERSION

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson, Preset
    from drillgen.theory.pitch import Key


# `drillgen presets`: the drills and lessons that come along.


@click.group()
def presets() -> None:
    """The drills and lessons that come along: list, show, copy."""


@presets.command("list")
def list_() -> None:
    """List the presets, by what is being learned; lessons first."""
    from drillgen.drill.lesson import LESSONS, list_presets

    group = ""
    for preset in sorted(list_presets(), key=lambda preset: preset.group != LESSONS):
        if preset.group != group:
            group = preset.group
            click.echo(click.style(f"\n{group}", bold=True))
        click.echo(f"  {preset.name:<28} {preset.title} ({_facts(preset)})")


def _facts(preset: Preset) -> str:
    """What a title does not say: feel, tempos and kind of line, or how many drills there are."""
    from drillgen.drill.band import meters
    from drillgen.drill.lesson import load

    if preset.is_lesson:
        return f"{preset.drills} drills"
    (drill,) = load(preset.path).drills
    line = drill.line.kind if drill.line else "no line"
    usual = meters(drill.feel)[0] == drill.meter.text
    feel = drill.feel if usual else f"{drill.feel} in {drill.meter}"
    return ", ".join([feel, " ".join(map(str, drill.tempos)), line])


@presets.command()
@click.argument("name")
def show(name: str) -> None:
    """Print a preset's YAML."""
    from drillgen.drill.lesson import preset_path

    click.echo(preset_path(name).read_text("utf-8"), nl=False)


@presets.command(short_help="Copy a preset to a file of your own.")
@click.argument("name")
@click.argument("target", type=Named(path_type=Path), required=False)
def copy(name: str, target: Path | None) -> None:
    """Copy a preset to a file of your own, to change it; its schema comes along."""
    from drillgen.drill.lesson import copied, preset_path

    source = preset_path(name)
    target = target or Path(source.name)
    if target.is_dir():
        target /= source.name
    if target.exists():
        raise DrillgenError(f"{target} is there already; name another file")
    try:
        copied(source, target)
    except OSError as error:
        raise DrillgenError(f"cannot write {target}: {reason(error)}") from error
    click.echo(f"Copied to {target}. Change it, then: drillgen check {target}")


# Objects made beyond those given back before Python looks for unused ones: what is loaded at the
# start and composed stays in use, and looking through all of it every 700 takes a quarter of the
# time.
_BEFORE_LOOKING = 100_000


class Plain(click.ClickException):
    """A person's error: its words on standard error, its exit code, no traceback."""

    def __init__(self, error: DrillgenError) -> None:
        super().__init__(str(error))
        self.exit_code = error.exit_code  # type: ignore[misc]  # click reads the instance's

    def show(self, file: Any = None) -> None:
        click.echo(self._fitted() if sys.stderr.isatty() else self.message, err=True)

    def _fitted(self) -> str:
        """For a terminal's width; into a file and to another program lines go whole."""
        from shutil import get_terminal_size

        width = max(get_terminal_size().columns, _NARROWEST)
        return "\n".join(_wrapped(self.message.split("\n"), width))


_NARROWEST = 40  # characters
_SHOWN = "    "  # before a line of the file, and the caret under it


def _wrapped(lines: Sequence[str], width: int) -> Iterator[str]:
    """Messages wrapped between words; a line of the file is cut round its caret."""
    from textwrap import wrap

    first = 0
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        if not line.startswith(_SHOWN):
            yield from wrap(
                line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
            ) or [""]
        elif line.strip() == "^":
            yield line[:4] + line[4 + first :]
        else:
            caret = below.find("^") if below.strip() == "^" else 0
            first = max(0, caret - 2 * width // 3) if len(line) > width else 0
            yield line[:4] + line[4 + first :][: width - 4]


class Commands(click.Group):
    """Turns the errors that a person can mend into plain words."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        _show_what_can_be_shown()
        end_in_order()
        gc.set_threshold(_BEFORE_LOOKING)
        try:
            return super().main(*args, **kwargs)
        except OSError as error:  # of a file that is looked for, or of the output
            where = "" if error.filename is None else f"{os.fsdecode(error.filename)}: "
            with suppress(OSError):
                click.echo(f"{where or 'cannot go on: '}{reason(error)}", err=True)
            _give_up_output()
            sys.exit(DrillgenError.exit_code)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except DrillgenError as error:
            raise Plain(error) from error
        except KeyboardInterrupt as error:
            _stopped(error)
        except (click.ClickException, click.exceptions.Exit, OSError):
            raise
        except Exception as error:
            _stopped(ending_behind(error))


def _stopped(ending: KeyboardInterrupt) -> NoReturn:
    with suppress(OSError):  # the terminal may be gone
        click.echo("\nStopped. Every file that is there is whole.", err=True)
    sys.exit(exit_code(ending))


def _show_what_can_be_shown() -> None:
    """Signs that a terminal or a file's encoding lacks (♭, →, another script) become question
    marks there."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _give_up_output() -> None:
    """What could not be written is not tried again when Python ends (see the note on SIGPIPE in
    the documentation of Python's `signal`)."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, prog_name="drillgen")
def main() -> None:
    """From a short YAML drill to a practice pack: a band, a line to imitate, gaps to answer in."""


main.add_command(build)
main.add_command(presets)
main.add_command(serve)
main.add_command(play)
main.add_command(hear)


@main.command(short_help="Check drills and show their charts, bar by bar.")
@click.argument("sources", metavar="FILE…", nargs=-1, required=True)
@overriding
@click.option("--keys", metavar="KEY,…", help="Show these keys alone: C,Bb.")
def check(
    sources: Sequence[str], settings: Sequence[str], keys: str | None, **given: str | None
) -> None:
    """Check drills and show their charts, bar by bar, with fingerings where they ask for them.

    `--bars 5-6` and `--keys Bb` look at a part. What cannot be played is said at the end, below the
    charts whose bars it names.
    """
    lesson = read(sources, settings, given)
    from drillgen.drill.messages import DrillError
    from drillgen.pack.preflight import check_all

    for said in lesson.remarks:
        click.echo(f"note: {said}\n")
    found = check_all(lesson, _looked_at(lesson, keys))
    for text in found.texts:
        click.echo(text + "\n")
    if found.problems:
        raise DrillError(list(found.problems))
    each = ", for each part" if lesson.parts else ""
    wav, mp3 = (found.heard * rate / 1e6 for rate in (_WAV, _MP3))
    if lesson.parts:
        click.echo("\n".join(_tempos(lesson)) + "\n")
    click.echo(
        f"A build makes {counted(found.tracks, 'track')}, {length(found.seconds)} of music: "
        f"about {wav:.0f} MB as WAV, {mp3:.0f} MB as MP3{each}."
    )


def _tempos(lesson: Lesson) -> Iterator[str]:
    """The tempos of each part of a class, which may have its own share of them."""
    yield "Tempos of each part" + (", drill | drill" if len(lesson.drills) > 1 else "")
    width = max(len(part.name) for part in lesson.parts)
    for part in lesson.parts:
        each = (", ".join(map(str, drill.tempos)) for drill in part.lesson.drills)
        yield f"  {part.name:{width}}  {' | '.join(each)}"


def _looked_at(lesson: Lesson, named: str | None) -> set[Key]:
    """The keys that are named, which must be among those of the drills.  Raises OverrideError."""
    from drillgen.drill.key_cycle import read_key
    from drillgen.drill.messages import RefusedError

    if named is None:
        return set()
    played = {key.simplest: None for drill in lesson.drills for key in drill.key_cycle}
    keys: set[Key] = set()
    for word in named.split(","):
        try:
            fitting = {read_key(word, mode).simplest for mode in {key.mode for key in played}}
        except RefusedError as refused:
            raise OverrideError(f"--keys {named}: {refused.wrongs[0].message}") from None
        if not fitting & played.keys():
            there = " ".join(key.short for key in played)
            raise OverrideError(f"--keys {named}: no drill is in {word.strip()}; allowed: {there}")
        keys |= fitting & played.keys()
    return keys


@main.command(short_help="List what a pack holds, for the teacher.")
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

    packs = [folder] if is_pack(folder) else sorted(filter(is_pack, _inside(folder)))
    if not packs:
        raise DrillgenError(no_pack(folder))
    found = {"" if pack == folder else pack.name: registered(pack) for pack in packs}
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


# Bytes a second: 16 bits twice at 44,100 Hz; what LAME's -V 2 makes of a band, about 150 kbit/s.
_WAV = 44_100 * 4
_MP3 = 150_000 / 8


@main.command()
def schema() -> None:
    """Print the JSON Schema of drills and lessons, for an editor."""
    from drillgen.drill.schema import as_text

    click.echo(as_text(), nl=False)


@main.command(short_help="List the soundfonts found, and their licences.")
@click.option("--soundfont", metavar="NAME", help="Which one would be used if you asked for it.")
def soundfonts(soundfont: str | None) -> None:
    """List the soundfonts found, their licences, and which one is used and why."""
    from drillgen.sound.soundfonts import (
        BETTER,
        choose,
        damaged_soundfonts,
        find_soundfonts,
        who_plays,
    )

    choice = choose(soundfont)
    for font in find_soundfonts():
        mark = "→" if font.path == choice.soundfont.path else " "
        click.echo(f"{mark} {font.name}\n    {font.path}\n    licence: {font.licence}")
    for damage in damaged_soundfonts():
        click.echo(f"  left out: {damage}")
    click.echo(f"\n{choice.soundfont.name} will be used: {choice.why}.")
    if choice.soundfont.poor:
        click.echo(BETTER)
    click.echo("\nWho plays what (`sounds` in a drill, or --sound, chooses otherwise):\n")
    for instrument, name, licence, why in who_plays(choice.soundfont):
        click.echo(f"  {instrument:<20}{name}, {licence}: {why}")
