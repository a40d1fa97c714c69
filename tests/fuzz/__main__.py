"""The long runs: `python -m tests.fuzz --minutes 4`.  Every failing case is told with its seed; run
it alone by `--case`."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from random import Random, SystemRandom
from types import ModuleType

from tests.fuzz import caches, drills, fonts, interruptions, packs, serving, texts

ALL: dict[str, ModuleType] = {
    each.NAME: each for each in (texts, drills, packs, caches, fonts, interruptions, serving)
}


def run(module: ModuleType, seed: int, cases: int, until: float) -> tuple[int, str, list[str]]:
    """Cases from a seed on; how many there were, what is told of them, and what failed with its
    seed."""
    failed = []
    done = 0
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as top:
        ground = module.Ground(Path(top))
        try:
            while done < cases and time.monotonic() < until:
                own = f"{seed}.{done}"
                try:
                    ground.case(Random(own))
                except AssertionError as error:
                    failed.append(f"{module.NAME} --case {own}: {error}")
                done += 1
        finally:
            getattr(ground, "close", lambda: None)()
        told = getattr(ground, "told", lambda: "")()
    return done, told, failed


def main() -> int:
    """Exit code 1 where something failed."""
    reader = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    reader.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(ALL)}")
    reader.add_argument("--minutes", type=float, default=4.0, help="in all")
    reader.add_argument("--seed", type=int, default=SystemRandom().randrange(10**6))
    reader.add_argument("--case", help="one case by its seed, of one NAME")
    given = reader.parse_args()
    names = given.names or list(ALL)
    if given.case:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as top:
            ground = ALL[names[0]].Ground(Path(top))
            ground.case(Random(given.case))
        return 0
    failures = 0
    for name in names:
        until = time.monotonic() + given.minutes * 60 / len(names)
        done, told, failed = run(ALL[name], given.seed, 10**9, until)
        told = f" ({told})" if told else ""
        said = f"{name}: {done} cases{told} from seed {given.seed}, {len(failed)} failed"
        print(said, flush=True)
        for said in failed:
            print(f"  {said}"[:2000], flush=True)
        failures += len(failed)
    return bool(failures)


if __name__ == "__main__":
    raise SystemExit(main())
