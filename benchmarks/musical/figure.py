"""One row of the report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured figure beside its bar; without bar it is only told."""

    name: str
    measured: float
    bar: tuple[float, float] | None  # least and most
    source: str
    unit: str = ""

    @property
    def holds(self) -> bool:
        return self.bar is None or self.bar[0] <= self.measured <= self.bar[1]

    def __str__(self) -> str:
        verdict = "" if self.bar is None else ("yes" if self.holds else "NO")
        return (
            f"| {self.name} | {_number(self.measured)}{self.unit} | {self._bar} | {verdict} "
            f"| {self.source} |"
        )

    @property
    def _bar(self) -> str:
        if self.bar is None:
            return ""
        low, high = self.bar
        if low == high:
            return f"{_number(low)}{self.unit}"
        if high == float("inf"):
            return f"at least {_number(low)}{self.unit}"
        if low <= 0:
            return f"at most {_number(high)}{self.unit}"
        return f"{_number(low)} to {_number(high)}{self.unit}"


def share(part: int, whole: int) -> float:
    """In per cent; 0 of nothing is 0."""
    return 100 * part / whole if whole else 0.0


def _number(value: float) -> str:
    return f"{value:.3g}" if value % 1 else f"{value:g}"
