"""How every command reads drills, and what is said alike."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drillgen.errors import DrillgenError

if TYPE_CHECKING:
    from drillgen.drill.lesson import Lesson
    from drillgen.drill.overrides import Override


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
    from drillgen.drill.overrides import Override

    for each in given:
        what, equals, name = (part.strip() for part in each.partition("="))
        if not (what and equals and name):
            raise OverrideError(f"--sound {each}: write WHAT=NAME, as in --sound bass=own")
        yield Override(f"sounds.{what}", name, f"--sound {each}", name)


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
            raise OverrideError(f"--set {setting}: write KEY=VALUE, as in --set band.bass=walking")
        overrides.append(Override(path.strip(), value, f"--set {setting}"))
    return overrides


def length(seconds: float) -> str:
    """Hours, minutes and seconds in words."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
