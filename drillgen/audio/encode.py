"""From a finished WAV to a file in any form, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import IO

from drillgen.audio.errors import AudioError, reason
from drillgen.audio.forms import form as known_form
from drillgen.audio.source import Source, opened
from drillgen.audio.tags import Tags
from drillgen.whole import whole_file

Writer = Callable[[Source, IO[bytes], Tags], None]


def encode(wav: Path, target: Path, form: str, tags: Tags) -> None:
    """Write the 16-bit WAV file `wav` as `target` in one of `FORMS`, with tags.

    Memory does not grow with the length; the same sound and tags give the same bytes.

    Raises:
        AudioError: no such form; `wav` is not such a file; `target` cannot be written.
    """
    writer = _writer(known_form(form).name)
    try:
        with whole_file(target) as file, opened(wav) as source:
            writer(source, file, tags)
    except OSError as error:
        raise AudioError(f"{target} cannot be written: {reason(error)}.") from error


def tag(wav: Path, tags: Tags) -> None:
    """Add tags to a 16-bit WAV file that ends with its samples, as `render` writes it.

    Raises:
        AudioError: `wav` is not such a file, or cannot be written; then it has no tags.
    """
    from drillgen.audio.riff import add

    try:
        with opened(wav) as source, wav.open("r+b") as file:
            add(source, file, tags)
    except OSError as error:
        raise AudioError(f"{wav} cannot be written: {reason(error)}.") from error


def _writer(form: str) -> Writer:
    """Each form's writer; its libraries are loaded for it alone."""
    if form == "wav":
        from drillgen.audio.riff import write

        return write
    if form == "mp3":
        from drillgen.audio.lame import write as write_mp3

        return write_mp3
    from drillgen.audio import compressed

    writers: dict[str, Writer] = {
        "flac": compressed.write_flac,
        "m4a": compressed.write_m4a,
        "opus": compressed.write_opus,
    }
    return writers[form]
