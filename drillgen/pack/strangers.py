"""What a build would write over in its folder though no build has put it there: refused first.

A folder that is typed by mistake may be anything: a desktop, a web site, a term's handouts.
"""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.pack import manifest
from drillgen.pack.files import PackError, stranger
from drillgen.pack.handout import list_names
from drillgen.pack.ledger import Ledger
from drillgen.pack.notes import NAME as NOTES
from drillgen.pack.printing import BOOKLET_NAME
from drillgen.pack.stages import Order
from drillgen.pack.tracks import SECTION
from drillgen.pack.zipped import is_zip_of, zip_path
from drillgen.page.models import ALONE, FOLDER, INDEX


def refuse_strangers(order: Order, ledger: Ledger) -> None:
    """Raises PackError where an order's folder has something of somebody else's in its way.

    In a pack, the names of a drill's own files are compared when they are placed
    (`Ledger.accept`); what is no pack yet must have nothing at all where drills will lie.
    """
    names = [*_beside(order, ledger)]
    if not ledger.is_pack:
        names += _within(order)
    for name in ledger.strangers(names):
        raise stranger(order.pack / name)
    if order.extras.zip and not is_zip_of(order.pack, target := zip_path(order.pack)):
        raise PackError(f"{target} is there already and is no zip of this pack: move or rename it")


def _beside(order: Order, ledger: Ledger) -> Iterator[str]:
    """Files that lie beside the drills' folders."""
    yield from (manifest.NAME, NOTES)
    if order.extras.page:
        yield INDEX
    if order.extras.alone:
        yield ALONE
    if order.extras.sheets and len(order.folders) > 1:
        yield BOOKLET_NAME
    if len(order.tracks) > 1 or ledger.entries(SECTION, order.replaced):
        yield from list_names()


def _within(order: Order) -> Iterator[str]:
    """What lies in folders that the order will fill; hidden files are the system's own."""
    for folder in (*order.folders, *([FOLDER] if order.extras.page else [])):
        for path in sorted((order.pack / folder).rglob("*")):
            if not path.is_dir() and not path.name.startswith("."):
                yield path.relative_to(order.pack).as_posix()
