"""Signals that end a command: POSIX numbers them, and shells add 128 (bash(1), EXIT STATUS)."""

from __future__ import annotations

import pytest

from drillgen import errors

TERM, HUP = 15, 1  # POSIX.1-2017, <signal.h> and kill(1)


@pytest.fixture(autouse=True)
def none_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """And what comes is forgotten afterwards."""
    for name, value in (("_raised", []), ("_came", []), ("_holding", errors._holding)):
        monkeypatch.setattr(errors, name, value)


def test_a_signal_ends_at_once() -> None:
    """With the exit code that a shell would report."""
    with pytest.raises(errors.Ending) as ending:
        errors._end(TERM, None)
    assert errors.exit_code(ending.value) == 143
    assert errors.exit_code(KeyboardInterrupt()) == 130


def test_a_signal_waits_for_the_outermost_step() -> None:
    """What belongs together is finished first, then the signal is raised, once; the next one comes
    at once again."""
    steps = []
    with pytest.raises(errors.Ending) as ending, errors.held_back():
        with errors.held_back():
            errors._end(HUP, None)
            steps.append("inner")
        steps.append("outer")
    assert steps == ["inner", "outer"] and ending.value.exit_code == 129
    with errors.held_back():
        steps.append("quiet")
    with pytest.raises(errors.Ending):
        errors._end(TERM, None)


def test_a_signal_behind_an_error_of_a_library() -> None:
    """The last one that came is meant; where none did, the error is one."""
    with pytest.raises(ValueError, match="own"):
        errors.ending_behind(ValueError("own"))
    for number in (TERM, HUP):
        with pytest.raises(errors.Ending):
            errors._end(number, None)
    assert errors.ending_behind(ValueError("own")).exit_code == 129
