"""What a teacher may not have meant, though it can be played: said by `check`, never an error."""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.drill.models import Drill, Gaps


def remarks(drill: Drill) -> Iterator[str]:
    """Sentences about a drill's shape; none where there is nothing odd."""
    gaps, bars = drill.gaps, len(drill.progression.bars)
    if gaps and gaps.harmony == "continues":
        yield from _traded(gaps, bars, drill.passes)
    elif gaps:
        yield from _repeated(gaps, bars)


def _repeated(gaps: Gaps, bars: int) -> Iterator[str]:
    """Calls that do not divide the form, and responses that go round their call's bars."""
    last = bars % gaps.call
    if last and bars > gaps.call:
        yield (
            f"calls of {gaps.call} and responses of {_bars(gaps.response)} don't fit into a form "
            f"of {_bars(bars)}: the last call has {_bars(last)}"
        )
    elif bars >= gaps.call and gaps.response % gaps.call and gaps.response > gaps.call:
        yield (
            f"responses of {_bars(gaps.response)} don't fit over calls of {_bars(gaps.call)}: "
            "each ends in the middle of its call's chords"
        )


def _traded(gaps: Gaps, bars: int, passes: int) -> Iterator[str]:
    """A form that ends on the call's bars in every pass, or on a response that is cut short."""
    last = bars - 1
    if not any(_answered(gaps, bars, last, number) for number in range(passes)):
        first = last
        while not any(_answered(gaps, bars, first - 1, number) for number in range(passes)):
            first -= 1
        which = f"bars {first + 1}-{last + 1} are" if first < last else f"bar {last + 1} is"
        yield f"{which} always the call's{_with_more(gaps, bars, passes, range(first, bars))}"
    rest = bars * passes % (gaps.call + gaps.response)
    if rest > gaps.call:
        yield (
            f"call and response don't fit into {_bars(bars * passes)} a key: the last response "
            f"has {_bars(rest - gaps.call)} of {gaps.response}"
        )


def _with_more(gaps: Gaps, bars: int, passes: int, given: range) -> str:
    """The fewest passes in which the student gets all of these bars, too."""
    for more in range(passes + 1, gaps.call + gaps.response + 1):
        numbers = range(more)
        if all(any(_answered(gaps, bars, bar, number) for number in numbers) for bar in given):
            them = "them" if len(given) > 1 else "it"
            return f"; passes: {more} would give {them} to the student, too"
    return ""


def _answered(gaps: Gaps, bars: int, bar: int, number: int) -> bool:
    """Whether a bar of the form is the student's in a pass, counted from 0."""
    return (number * bars + bar) % (gaps.call + gaps.response) >= gaps.call


def _bars(count: int) -> str:
    return f"{count} bar" if count == 1 else f"{count} bars"
