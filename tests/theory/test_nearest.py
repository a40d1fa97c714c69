"""Guessing what was meant."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.other_names import nearest
from tests.rows import with_each

WORDS = ("walking", "roots", "two-beat", "off", "sticks", "brushes", "guide tones")


@with_each(
    ("text", "meant"),
    [
        ("wakling", "walking"),  # two letters exchanged
        ("wallking", "walking"),  # one twice
        ("walkng", "walking"),  # one missed
        ("stick", "sticks"),
        ("twobeat", "two-beat"),
        ("guide", "guide tones"),  # only begun
        ("nope", ""),
        ("on", ""),
        ("o", ""),
        ("", ""),
        ("my-blues", ""),
    ],
)
def test_slips_of_the_pen(text: str, meant: str) -> None:
    """A slip is understood; what shares few letters with every word is not."""
    assert nearest(text, WORDS) == meant


def test_a_doubled_letter_is_the_nearest_slip() -> None:
    """G77 is G7 with a key struck twice, and only then Gm7."""
    assert nearest("G77", ("Gm7", "G7")) == "G7"


@given(st.text(max_size=12), st.lists(st.text(max_size=12), max_size=5))
def test_most_letters_are_shared(text: str, known: list[str]) -> None:
    """Whatever is offered is known, and shares half of the longer word's letters at least or
    begins with what was written; a known word is nearest to itself."""
    found = nearest(text, known)
    if found:
        assert found in known
        shared = sum(min(text.count(char), found.count(char)) for char in set(text))
        assert 2 * shared >= max(len(text), len(found)) or found.startswith(text)
    if text and text in known:
        assert found == text
