"""A QR code in the terminal (ISO/IEC 18004, by the segno library), for a phone's camera."""

from __future__ import annotations

import io

import click
import segno


def qr_code(text: str) -> str:
    """The code, two rows of squares in a line of text.

    Its colours are set, black on white, because cameras read no code in negative, whatever the
    terminal's own are.
    """
    drawn = io.StringIO()
    segno.make(text, micro=False).terminal(out=drawn, compact=True)
    lines = drawn.getvalue().splitlines()
    return "\n".join(click.style(line, fg="bright_white", bg="black") for line in lines)
