"""The kinds of audio file there are, and what each is for."""

from __future__ import annotations

from dataclasses import dataclass

from drillgen.audio.errors import AudioError
from drillgen.theory.other_names import nearest


@dataclass(frozen=True, slots=True)
class Form:
    """A kind of audio file."""

    name: str
    suffix: str
    title: str
    purpose: str
    lossless: bool
    gapless: str  # how a player learns which samples are sound; "" where it must guess


# Gapless: FLAC counts its samples (RFC 9639, 8.2); Opus has pre-skip and the last page's granule
# position (RFC 7845, 4.2 and 4.4); MP4 an edit list (ISO/IEC 14496-12, 8.6.6); MP3 by LAME's own
# extension of the Xing header, which decoders have taken over.
_FORMS = (
    Form("wav", ".wav", "WAV", "for audio editors and loopers", True, "a sample count"),
    Form("flac", ".flac", "FLAC", "the same samples in half the room", True, "a sample count"),
    Form("mp3", ".mp3", "MP3", "for every phone and player", False, "LAME's delay and padding"),
    Form("m4a", ".m4a", "AAC", "for phones and tablets", False, "an edit list"),
    Form("opus", ".opus", "Opus", "the smallest, for messages", False, "pre-skip and granules"),
)
FORMS: dict[str, Form] = {form.name: form for form in _FORMS}
_OTHER_NAMES = {"wave": "wav", "aac": "m4a", "mp4": "m4a", "ogg": "opus"}


def form(name: str) -> Form:
    """The form of a name, an ending (".mp3") or another usual name ("aac").

    Raises:
        AudioError: there is none; the message names the nearest.
    """
    plain = name.strip().lower().removeprefix(".")
    plain = _OTHER_NAMES.get(plain, plain)
    if plain in FORMS:
        return FORMS[plain]
    close = nearest(plain, FORMS)
    hint = f"; did you mean {close}?" if close else "."
    raise AudioError(f"no audio format is called '{name}': there are {', '.join(FORMS)}{hint}")
