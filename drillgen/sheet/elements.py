"""XML elements with text, as MusicXML's writers need them."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree.ElementTree import Element, SubElement


def text(
    parent: Element, tag: str, content: object, attributes: Mapping[str, str] | None = None
) -> Element:
    """A child that holds a text."""
    element = SubElement(parent, tag, dict(attributes or {}))
    element.text = str(content)
    return element


def pretty(words: str) -> str:
    """Accidentals as musicians write them: 'm7b5' is 'm7♭5'."""
    return words.replace("b", "♭").replace("#", "♯")
