"""What shows and makes no pack: `drillgen check`, `schema`, `presets`, `soundfonts`; and how every
command reads drills."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drillgen.errors import DrillgenError, counted, reason, whole_seconds

if TYPE_CHECKING:
    from drillgen.drill.files import Preset
    from drillgen.drill.lesson import Lesson
    from drillgen.drill.reader import Override
    from drillgen.theory.pitch import Key

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
    from drillgen.drill.reader import Override

    for each in given:
        what, equals, name = (part.strip() for part in each.partition("="))
        if not (what and equals and name):
            raise DrillgenError(f"--sound {each}: write WHAT=NAME, as in --sound bass=own")
        yield Override(f"sounds.{what}", name, f"--sound {each}", name)


def _overrides(settings: Sequence[str], given: dict[str, str | None]) -> list[Override]:
    from drillgen.drill.reader import Override

    overrides = [
        Override(path, given[path] or "", f"--{path.replace('_', '-')} {given[path]}")
        for path in _OVERRIDES
        if given.get(path) is not None
    ]
    for setting in settings:
        path, equals, value = setting.partition("=")
        if not equals or not path.strip():
            raise DrillgenError(f"--set {setting}: write KEY=VALUE, as in --set band.bass=walking")
        overrides.append(Override(path.strip(), value, f"--set {setting}"))
    return overrides


def length(seconds: float) -> str:
    """Hours, minutes and seconds in words."""
    minutes, rest = divmod(whole_seconds(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


@click.command(short_help="Check drills and show their charts, bar by bar.")
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
    if lesson.parts:
        click.echo("\n".join(_tempos(lesson)) + "\n")
    packs = sorted(found.parts or [found], key=lambda pack: pack.seconds)
    lengths = dict.fromkeys(length(pack.seconds) for pack in (packs[0], packs[-1]))
    wav, mp3 = (_megabytes(packs[-1].heard * rate) for rate in (_WAV, _MP3))
    click.echo(
        f"A build makes {counted(found.tracks, 'track')}, {' to '.join(lengths)} of"
        f" music: about {wav} MB as WAV, {mp3} MB as MP3{each}."
    )


def _megabytes(count: float) -> str:
    """Whole ones; of less than one, tenths."""
    whole = count / 1e6
    return f"{whole:.0f}" if whole >= 1 else f"{max(whole, 0.1):.1f}"


def _tempos(lesson: Lesson) -> Iterator[str]:
    """The tempos of each part of a class, which may have its own share of them."""
    yield "Tempos of each part" + (", drill | drill" if len(lesson.drills) > 1 else "")
    width = max(len(part.name) for part in lesson.parts)
    for part in lesson.parts:
        each = (", ".join(map(str, drill.tempos)) for drill in part.lesson.drills)
        yield f"  {part.name:{width}}  {' | '.join(each)}"


def _looked_at(lesson: Lesson, named: str | None) -> set[Key]:
    """The keys that are named, which must be among those of the drills.  Raises DrillgenError."""
    from drillgen.drill.key_cycle import read_key
    from drillgen.drill.messages import RefusedError

    if named is None:
        return set()
    played = {key.simplest: None for drill in lesson.drills for key in drill.keys_played}
    there = " ".join(key.short for key in played)
    keys: set[Key] = set()
    for word in named.split(","):
        try:
            fitting = {read_key(word, mode).simplest for mode in {key.mode for key in played}}
        except RefusedError as refused:
            message = f"--keys {named}: {refused.wrongs[0].message}; allowed: {there}"
            raise DrillgenError(message) from None
        if not fitting & played.keys():
            raise DrillgenError(f"--keys {named}: nothing is in {word.strip()}; allowed: {there}")
        keys |= fitting & played.keys()
    return keys


# Bytes a second: 16 bits twice at 44,100 Hz; what LAME's -V 2 makes of a band, about 150 kbit/s.
_WAV = 44_100 * 4
_MP3 = 150_000 / 8


# `drillgen presets`: the drills and lessons that come along.


@click.group()
def presets() -> None:
    """The drills and lessons that come along: list, show, copy."""


@presets.command("list")
def list_() -> None:
    """List the presets, by what is being learned; lessons first."""
    from drillgen.drill.files import LESSONS, list_presets

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
    from drillgen.drill.files import preset_path

    click.echo(preset_path(name).read_text("utf-8"), nl=False)


@presets.command(short_help="Copy a preset to a file of your own.")
@click.argument("name")
@click.argument("target", type=Named(path_type=Path), required=False)
def copy(name: str, target: Path | None) -> None:
    """Copy a preset to a file of your own, to change it; its schema comes along."""
    from drillgen.drill.files import copied, preset_path

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


@click.command()
def schema() -> None:
    """Print the JSON Schema of drills and lessons, for an editor."""
    from drillgen.drill.schema import as_text

    click.echo(as_text(), nl=False)


_WHO = """
Who plays what (`sounds` in a drill, or --sound, chooses otherwise).
In brackets: how far out of tune its keys are at most, how unevenly loud, how much brighter a strong
stroke is than a soft one, and how long a note sounds before its sample goes round.
"""


@click.command(short_help="List the soundfonts found, and their licences.")
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
    click.echo(_WHO)
    for instrument, name, licence, why in who_plays(choice.soundfont):
        click.echo(f"  {instrument:<20}{name}, {licence}: {why}")
