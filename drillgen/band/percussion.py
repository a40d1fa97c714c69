"""Percussion keys and kits.

Keys 35 to 81 are General MIDI Level 1 (MMA RP-003).  On the brush kit (program 40, as General MIDI
Level 2 and most soundfonts have it) three of the snare's keys become tap, slap and swirl.
"""

from __future__ import annotations

KEYS = {
    "bass drum": 36,
    "side stick": 37,
    "snare": 38,
    "closed hi-hat": 42,
    "low tom": 45,
    "pedal hi-hat": 44,
    "open hi-hat": 46,
    "crash cymbal": 49,
    "high tom": 48,
    "ride cymbal": 51,
    "ride bell": 53,
    "high woodblock": 76,
    "low woodblock": 77,
    # GM2, brush kit
    "brush tap": 38,
    "brush slap": 39,
    "brush swirl": 40,
}

KITS = {"standard": 0, "brush": 40}
