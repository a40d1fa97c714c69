"""Whether a text is valid MusicXML 4.0, by the W3C's schema.

The `musicxml` package (PyPI) carries the schema as it is published, but for where it has its two
imports from; of these modules the few attributes that MusicXML uses stand here.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from lxml import etree

_ATTRIBUTE = '<xs:attribute name="{}" type="xs:{}"/>'
_MODULE = (
    '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="{}">{}</xs:schema>'
)
_XLINK = ("href", "anyURI"), *((n, "NMTOKEN") for n in ["type", "role", "title", "show", "actuate"])
_IMPORTED = {
    "xml.xsd": (
        "http://www.w3.org/XML/1998/namespace",
        (("lang", "language"), ("space", "NCName")),
    ),
    "xlink.xsd": ("http://www.w3.org/1999/xlink", _XLINK),
}


class _Imported(etree.Resolver):
    """The modules that the schema imports."""

    def resolve(self, url: str, public: str, context: Any) -> Any:
        namespace, attributes = _IMPORTED[url.rpartition("/")[2]]
        listed = "".join(_ATTRIBUTE.format(*attribute) for attribute in attributes)
        return self.resolve_string(_MODULE.format(namespace, listed), context)


@cache
def _schema() -> etree.XMLSchema:
    package = find_spec("musicxml")
    assert package is not None and package.origin is not None
    path = Path(package.origin).parent / "generate_classes" / "musicxml_4_0.xsd"
    parser = etree.XMLParser()
    parser.resolvers.add(_Imported())
    return etree.XMLSchema(etree.fromstring(path.read_bytes(), parser))


def assert_valid(text: str) -> None:
    """Raises where a text is no MusicXML 4.0."""
    _schema().assertValid(etree.fromstring(text.encode()))
