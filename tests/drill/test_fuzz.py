"""Whatever is thrown at it, the reader answers with a drill that can be charted and shown, or with
a DrillError."""

from __future__ import annotations

import re

from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from drillgen.chart import charts
from drillgen.drill.files import list_presets
from drillgen.drill.lesson import Lesson, load
from drillgen.drill.messages import DrillError
from drillgen.drill.models import Drill
from drillgen.drill.reader import drill_of, parse_drill
from drillgen.pack.preflight import check
from tests.examples import examples

TEXTS = [preset.path.read_text("utf-8") for preset in list_presets()]
PIECES = (
    ":",
    "- ",
    "|",
    "%",
    "/",
    "{",
    "}",
    "[",
    "]",
    "'",
    '"',
    "#",
    "&a ",
    "*a",
    "!x ",
    "\t",
    "\n",
    "  ",
    "\\",
    "♭",
    "\0",
    "\u2028",
    "\x85",
    "N.C.",
    "%",
    "form",
    "tempo: ",
    "1e999",
    "~",
    "?",
    "---\n",
    "<<: ",
    "> \n",
    "|2\n",
    "𝄫",
    " #4}",
    '"\\e[31m"',
    'title: "a\\0b"\n',
    "\\u200b",
    "|: ",
    " - ",
    ", ",
    "Fis",
    "B moll",
    "9" * 30,
)
HERE = examples(150, suppress_health_check=[HealthCheck.function_scoped_fixture])


OBEYED = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]")  # by a terminal, but for line ends
SIGNS = st.characters() | st.sampled_from("\0\a\x1b\x85\x9b\u200b\u2028\ufffe")


def checked(call):
    try:
        read = call()
    except DrillError as error:
        assert error.problems
        assert all(problem.message for problem in error.problems)
        assert not OBEYED.search(str(error))
    else:
        shown(read if isinstance(read, Lesson) else Lesson(read.title, (read,)))


def shown(lesson):
    """Charts, and what `check` prints: no sign in it that a terminal obeys."""
    for index, drill in enumerate(lesson.drills):
        assert all(chart.bars for chart in charts(drill))
        found = check(lesson, index)
        assert all(problem.message for problem in found.problems)
        for text in found.texts:
            assert text and not OBEYED.search(text)


@HERE
@given(st.binary(max_size=200))
def test_random_bytes(tmp_path, data):
    """Any file at all."""
    path = tmp_path / "any.yaml"
    path.write_bytes(data)
    checked(lambda: load(path))


@HERE
@given(
    st.sampled_from(TEXTS),
    st.lists(
        st.tuples(st.floats(0, 1), st.integers(0, 9), st.sampled_from(PIECES)),
        min_size=1,
        max_size=3,
    ),
)
def test_damaged_presets(text, edits):
    """Presets with pieces cut out and put in at random places."""
    for where, cut, piece in edits:
        at = int(where * len(text))
        text = text[:at] + piece + text[at + cut :]
    checked(lambda: parse_drill(text))


LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["off", "ii7 | V7", "Dm7 / G7", "C", "[", "A A", "1357"]),
)
NAMES = [field.alias or name for name, field in Drill.model_fields.items()]
KEYS = st.sampled_from([*NAMES, "kind", "A", "form", "from", "to", "order", "drums", "x", ""])
TREES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@HERE
@given(st.dictionaries(st.sampled_from(NAMES), TREES, max_size=6))
def test_random_data(data):
    """Any shape of data under the language's own keys."""
    checked(lambda: drill_of(data))


@HERE
@given(st.dictionaries(st.sampled_from(NAMES), TREES, max_size=2))
def test_random_keys_of_a_drill(data):
    """The same over a drill, so that more of it can be read and charted."""
    checked(lambda: drill_of({"progression": "ii7 | V7", "passes": 2, **data}))


@HERE
@given(st.text(SIGNS, max_size=9), st.text(SIGNS, max_size=9), st.text(SIGNS, max_size=3))
def test_random_texts(title, note, section):
    """Any signs in what a person may write as they like."""
    written = {section: "ii7 | V7", "B": "Imaj7"}
    checked(lambda: drill_of({"progression": written, "title": title, "note": note}))


@HERE
@given(st.text(alphabet="ABCDEFGHSivIVmb#♭7/|%. \n()jaosul12469+-,;:>", max_size=40))
def test_random_progressions(text):
    """Any string of the signs that chords are made of: bars add up, or it is refused."""
    try:
        drill = drill_of({"progression": text})
    except DrillError:
        return
    for bar in drill.progression.bars:
        assert sum(slot.duration for slot in bar.slots) == drill.meter.bar
