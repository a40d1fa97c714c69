"""How players write the root of a chord in a key."""

from __future__ import annotations

from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name

_REMOTE = frozenset(map(Name.parse, ("Cb", "Fb")))


def as_written(chord: Chord, key: Key) -> Chord:
    """The chord by the root that players expect in a key.

    The tritone substitute in Gb is G7, not Abb7, and the way home by the back door is Bm7 E7, not
    Cbm7 Fb7: a double accidental is never written, and Cb or Fb only where the key has the root and
    its third, as it has those of IV in Gb.  E# and B# stay, since they lead up (common practice).
    """
    root = chord.root
    third = root.above(chord.third) if chord.third else root
    remote = root in _REMOTE and not (key.has(root) and key.has(third))
    return chord.on(root.simplest) if remote or abs(root.alter) > 1 else chord
