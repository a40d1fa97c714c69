"""What several of the theory's tests ask for."""

from drillgen.theory.pitch import Key, Mode, Name

# From Fbb (two flats) to B## (two sharps): every name with at most two accidentals.
ROOTS = tuple(Name(fifths) for fifths in range(-15, 20))
TWELVE = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
MODES: tuple[tuple[Mode, int], ...] = (("major", 0), ("minor", 3))
KEYS = tuple(
    Key(Name(fifths), mode) for mode, shift in MODES for fifths in range(-7 + shift, 8 + shift)
)


def spelled(text: str) -> list[str]:
    return text.split()
