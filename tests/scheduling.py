"""Which tests run in one worker, and in which order.

pytest-xdist groups tests by marks that it writes into their ids, which pytest from 9.2 on no longer
lets it; so a scheduler of our own reads the groups from the ids as they are.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from xdist.scheduler import LoadScopeScheduling

from drillgen.drill.files import list_presets

# The page's tests wait for music to be played, in its time: from the beginning on one worker has
# those that mostly look, another those that listen, and both go before the others.
IN_TIME = "tests/page/"
_LOOKING = ("test_fit.py", "test_page.py", "test_readers.py")
# Begun next, so that no worker ends with them alone: long, and in several groups.
LONG = (
    *("tests/pack/", "tests/audio/", "tests/sound/", "tests/bank/", "tests/fuzz/", "tests/serve/"),
    *("tests/take/", "tests/test_docs.py", "tests/test_pack.py"),
)
# Of these files each test may run anywhere: nothing slow is shared between its tests.
APART = ("tests/pack/test_bad_days.py",)


@cache
def _presets() -> frozenset[str]:
    return frozenset(preset.name for preset in list_presets())


def _preset(values: str) -> str | None:
    """The longest name of a preset that a test's values, joined by hyphens, begin with."""
    words = values.split("-")
    begun = ("-".join(words[:count]) for count in range(len(words), 0, -1))
    return next((name for name in begun if name in _presets()), None)


@cache
def group(nodeid: str) -> str:
    """Half of the page's tests, a preset's (whose music is composed once: `composed.py`), else a
    file's."""
    file, _, test = nodeid.partition("::")
    if file.startswith(IN_TIME):
        return f"{IN_TIME}, {'looking' if file.endswith(_LOOKING) else 'listening'}"
    if file in APART:
        return nodeid
    preset = _preset(test.partition("[")[2].removesuffix("]"))
    return f"preset {preset}" if preset and not file.startswith(LONG) else file


def turn(nodeid: str, seed: int) -> tuple[int, str, int]:
    """The page first, then long rooms; a preset's tests one seed after the other."""
    if nodeid.startswith(IN_TIME):
        return 0, nodeid.partition("::")[0], 0
    long = nodeid.startswith(LONG)
    return 1 if long else 2, nodeid.partition("::")[0] if long else group(nodeid), seed


class ByGroup(LoadScopeScheduling):  # type: ignore[misc]
    """A group's tests go to one worker."""

    def _split_scope(self, nodeid: str) -> str:
        return group(nodeid)

    def remove_node(self, node: Any) -> str | None:
        """The test that a worker died of, which has failed; what else it had to do goes to others.

        pytest-xdist 3.8 hands out again what the worker had done, too, and who gets a group of
        which nothing is left to run waits for ever.
        """
        groups = self.assigned_work.pop(node).items()
        left = {name: [test for test, ran in tests.items() if not ran] for name, tests in groups}
        died_of = next((tests.pop(0) for tests in left.values() if tests), None)
        if died_of is not None:
            self.workqueue |= {name: dict.fromkeys(t, False) for name, t in left.items() if t}
            for other in self.assigned_work.keys() & self.registered_collections.keys():
                self._reschedule(other)
        return died_of


def scheduler(config: Any, log: Any) -> ByGroup | None:
    """Where groups are asked for (`--dist loadgroup`)."""
    return ByGroup(config, log) if config.getvalue("dist") == "loadgroup" else None
