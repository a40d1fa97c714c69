"""`python -m drillgen.bank FILE`: make the soundfont, to be played with any synthesiser."""

from __future__ import annotations

import sys
from pathlib import Path

from drillgen.bank.make import LICENCE, written


def main(arguments: list[str]) -> int:
    """The exit code: 0, or 2 with one sentence where nothing was made."""
    if len(arguments) != 1 or not arguments[0].endswith(".sf2"):
        print("python -m drillgen.bank FILE.sf2: name one file that ends in .sf2.", file=sys.stderr)
        return 2
    path = Path(arguments[0])
    try:
        written(path)
    except OSError as error:
        print(f"{path} cannot be written: {error.strerror or error}.", file=sys.stderr)
        return 2
    print(f"{path}: {path.stat().st_size / 1e6:.1f} MB, {LICENCE}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
