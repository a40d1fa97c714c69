"""What is chosen can be read: on a phone no field cuts its text off."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.page.pages import View

# Of each field that is seen: its name, and how much wider its text is than its room; browsers draw
# an arrow beside it, about as wide as a letter is high.
_CUT_OFF = """() => {
    const seen = [...document.querySelectorAll("select")].filter((each) => each.offsetParent);
    return seen.map((each) => {
        const style = getComputedStyle(each);
        const pen = document.createElement("canvas").getContext("2d");
        pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
        const text = pen.measureText(each.selectedOptions[0].textContent).width;
        const beside = [style.paddingLeft, style.paddingRight, style.fontSize].map(parseFloat);
        return [each.id, text - beside.reduce((room, part) => room - part, each.clientWidth)];
    });
}"""


def test_no_choice_is_cut_off(view: View) -> None:
    """At the widths of small phones every field shows the whole of what is chosen at first."""
    for width in (320, 360, 412):
        view.page.set_viewport_size({"width": width, "height": 640})
        found = dict(view.page.evaluate(_CUT_OFF))
        found.pop("drill", None)  # a title of any length
        assert {"key", "click", "cues", "rounds"} <= set(found)
        assert {name: over for name, over in found.items() if over > 0} == {}, width
