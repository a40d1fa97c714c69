"""What a person types.  Everything heavy is imported by the command that needs it.

Here: the commands together, and how their errors are told.
"""

from __future__ import annotations

import atexit
import gc
import io
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Any, NoReturn

import click

from drillgen.cli.building import build
from drillgen.cli.checking import check, presets, schema, soundfonts
from drillgen.cli.packs import hear, play, register, serve
from drillgen.errors import DrillgenError, end_in_order, ending_behind, exit_code, reason
from drillgen.version import VERSION

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


# What is another command's option, and what does it here: by its letters alone others are nearer.
_MEANT = {"--keys": "--key-cycle"}


class Commands(click.Group):
    """Turns the errors that a person can mend into plain words."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        _show_what_can_be_shown()
        end_in_order()
        gc.set_threshold(_BEFORE_LOOKING)
        atexit.register(gc.freeze)  # else Python looks through all there is once more as it ends
        # Pydantic would read what every package on the machine says of itself, to find plugins.
        os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
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
        except click.NoSuchOption as error:
            name, at = error.option_name, error.ctx
            meant = _MEANT.get(name, "")
            if at is None or not any(meant in each.opts for each in at.command.params):
                raise
            said = f"No such option {name!r}. (Did you mean {meant!r}?)"
            raise click.UsageError(said, at) from error
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


for command in (build, check, play, presets, serve, hear, register, schema, soundfonts):
    main.add_command(command)
