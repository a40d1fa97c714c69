"""Tables of cases that are looked at in one test.

Collected as a test of its own each row costs some milliseconds in every worker, which is more than
most rows need to be true or false.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable
from functools import wraps
from typing import Any

import pytest

Test = Callable[..., None]


def with_each(
    names: str | tuple[str, ...], rows: Iterable[Any] | Callable[[], Iterable[Any]]
) -> Callable[[Test], Test]:
    """As `pytest.mark.parametrize`, in one test, which tells every row that fails with its values;
    fixtures are the same for all rows.  A function is asked for the rows when the test runs."""
    named = (names,) if isinstance(names, str) else names
    table = rows if callable(rows) else list(rows)

    def of_all(test: Test) -> Test:
        @wraps(test)
        def all_rows(**others: Any) -> None:
            found = table() if callable(table) else table
            each = found if named is names else ((row,) for row in found)
            values = [dict(zip(named, row, strict=True)) for row in each]
            assert values, f"no rows of {names}"
            wrong = [error for row in values if (error := _wrong(test, others, row)) is not None]
            if wrong:
                one = len(wrong) == 1
                raise wrong[0] if one else BaseExceptionGroup(f"of {len(values)} rows", wrong)

        signature = inspect.signature(test)
        left = [each for each in signature.parameters.values() if each.name not in named]
        assert len(left) == len(signature.parameters) - len(named), f"no such names: {names}"
        all_rows.__signature__ = signature.replace(parameters=left)  # type: ignore[attr-defined]
        return all_rows

    return of_all


def _wrong(test: Test, others: dict[str, Any], row: dict[str, Any]) -> BaseException | None:
    """What a test says against a row, with the row."""
    try:
        test(**others, **row)
    except (Exception, pytest.fail.Exception) as error:
        error.add_note(f"with {row}")
        return error
    return None
