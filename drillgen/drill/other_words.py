"""Words that people write for keys of the language, and the keys that they mean."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from drillgen.drill.problems import nearest

# Words of the trade, without spaces and signs (common practice).  Several keys where it depends on
# where the word stands: the first that is known there is meant.
_MEANT: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("bpm", "speed", "mm", "metronomemark"), ("tempo",)),
    **dict.fromkeys(("keysignature", "tonality", "tonic"), ("key",)),
    **dict.fromkeys(("timesignature", "time", "signature", "metre"), ("meter",)),
    **dict.fromkeys(("chords", "changes", "harmony", "chordchanges", "form"), ("progression",)),
    **dict.fromkeys(("style", "groove", "genre", "rhythm"), ("feel",)),
    **dict.fromkeys(("keys", "cycle", "transpose", "transposition"), ("key_cycle",)),
    **dict.fromkeys(("repeats", "repeat", "choruses", "times", "loops"), ("passes",)),
    **dict.fromkeys(("name", "heading"), ("title",)),
    **dict.fromkeys(("description", "comment", "comments", "notes", "text"), ("note",)),
    **dict.fromkeys(("count", "intro", "leadin"), ("count_in",)),
    **dict.fromkeys(("melody", "solo", "exercise", "pattern"), ("line", "notes")),
    **dict.fromkeys(("rests", "breaks", "callandresponse", "callresponse"), ("gaps",)),
    **dict.fromkeys(("drums", "bass", "comping", "click", "players", "instruments"), ("band",)),
    **dict.fromkeys(("metronome",), ("click", "band")),
    **dict.fromkeys(("chordinstrument", "accompaniment", "keyboard"), ("comping", "band")),
    **dict.fromkeys(("fingerings", "tab", "clef", "notation", "score", "print"), ("sheet",)),
    **dict.fromkeys(("outro", "end", "coda"), ("ending",)),
    **dict.fromkeys(("random", "randomseed"), ("seed",)),
    **dict.fromkeys(("volume", "loudness", "gain"), ("level",)),
    **dict.fromkeys(("panning", "balance"), ("pan",)),
    **dict.fromkeys(("type", "style"), ("kind", "feel")),
    **dict.fromkeys(("presets", "exercises", "songs", "tracks"), ("drills",)),
}


def nearest_key(word: Any, known: Iterable[str]) -> str:
    """The key that a word means, in quotes: what is often written for it, else what is spelled
    most like it; "" where there is neither."""
    known = tuple(known)
    plain = "".join(char for char in str(word).casefold() if char.isalnum())
    meant = next((key for key in _MEANT.get(plain, ()) if key in known), "")
    return f'"{meant}"' if meant else nearest(word, known)
