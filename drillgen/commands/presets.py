"""`drillgen presets`: the drills and lessons that come along."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drillgen.commands.paths import Named
from drillgen.errors import DrillgenError

if TYPE_CHECKING:
    from drillgen.drill.presets import Preset


@click.group()
def presets() -> None:
    """The drills and lessons that come along: list, show, copy."""


@presets.command("list")
def list_() -> None:
    """List the presets, by what is being learned; lessons first."""
    from drillgen.drill.presets import LESSONS, list_presets

    group = ""
    for preset in sorted(list_presets(), key=lambda preset: preset.group != LESSONS):
        if preset.group != group:
            group = preset.group
            click.echo(click.style(f"\n{group}", bold=True))
        click.echo(f"  {preset.name:<28} {preset.title} ({_facts(preset)})")


def _facts(preset: Preset) -> str:
    """What a title does not say: feel, tempos and kind of line, or how many drills there are."""
    from drillgen.drill.lesson import load
    from drillgen.drill.playable import meters

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
    from drillgen.drill.presets import preset_path

    click.echo(preset_path(name).read_text("utf-8"), nl=False)


@presets.command()
@click.argument("name")
@click.argument("target", type=Named(path_type=Path), required=False)
def copy(name: str, target: Path | None) -> None:
    """Copy a preset to a file of your own, to change it; its schema comes along."""
    from drillgen.drill.presets import copied, preset_path

    source = preset_path(name)
    target = target or Path(source.name)
    if target.is_dir():
        target /= source.name
    if target.exists():
        raise DrillgenError(f"{target} is there already; name another file")
    try:
        copied(source, target)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise DrillgenError(f"cannot write {target}: {reason}") from error
    click.echo(f"Copied to {target}. Change it, then: drillgen check {target}")
