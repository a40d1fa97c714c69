"""Our MusicXML as another program engraves it.

`python -m benchmarks.engraver FOLDER PRESET …` writes the first sheets of presets into a folder, in
two keys (or those of `--keys C,Ab,B`), as LilyPond's reader of MusicXML and its engraver make them:
PNGs to look at beside ours, and what both of them say.  It needs five Debian packages, installed or
unpacked (`DRILLGEN_LILYPOND` names another folder):

    for each in lilypond lilypond-data lilypond-fonts guile-2.2-libs libgc1; do
        sh tools/fetch_deb.sh $each .venv/lilypond; done
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import drillgen
from drillgen.sheet.sheets import sheets
from tests.sheet.written import scores

_UNPACKED = Path(os.environ.get("DRILLGEN_LILYPOND", Path(sys.prefix) / "lilypond")) / "usr"
_DOTS = 80  # an inch


def main(folder: Path, names: list[str], keys: str) -> None:
    """Engrave, and print what was said."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        drill = drillgen.load(name, key_cycle=keys.split(",")).drills[0]
        source = folder / f"{name}.musicxml"
        source.write_text(sheets(scores(drill)).handout.musicxml, "utf-8")
        for said in _engraved(source):
            print(f"{name}: {said}", flush=True)


def _engraved(source: Path) -> Iterator[str]:
    """The warnings of reading and of engraving."""
    music, picture = source.with_suffix(".ly"), source.with_suffix("")
    reading = [sys.executable, str(_program("musicxml2ly")), "--absolute", "-o", str(music)]
    drawing = [str(_program("lilypond")), "--png", f"-dresolution={_DOTS}", "-o", str(picture)]
    for command in ([*reading, str(source)], [*drawing, str(music)]):
        done = subprocess.run(command, env=_environment(), capture_output=True, text=True)
        yield from (line for line in done.stderr.splitlines() if "warning" in line)
        if done.returncode:
            sys.exit(f"{command}\n{done.stderr}")


def _program(name: str) -> Path:
    own = _UNPACKED / "bin" / name
    return own if own.exists() else Path("/usr/bin") / name


def _environment() -> dict[str, str]:
    """Where what is unpacked finds its own parts."""
    if not (_UNPACKED / "bin" / "lilypond").exists():
        return {**os.environ}
    (libraries,) = (each.parent for each in _UNPACKED.glob("lib/*/libguile-2.2.so.1"))
    (data,) = _UNPACKED.glob("share/lilypond/*.*.*")
    return os.environ | {
        "LD_LIBRARY_PATH": str(libraries),
        "GUILE_LOAD_PATH": str(_UNPACKED / "share/guile/2.2"),
        "GUILE_LOAD_COMPILED_PATH": str(libraries / "guile/2.2/ccache"),
        "GUILE_AUTO_COMPILE": "0",
        "LILYPOND_DATADIR": str(data),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("presets", nargs="+")
    parser.add_argument("--keys", default="Ab,E")
    given = parser.parse_args()
    main(given.folder, given.presets, given.keys)
