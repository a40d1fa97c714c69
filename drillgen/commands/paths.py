"""Files and folders that a person names."""

from __future__ import annotations

from typing import Any

import click


class Named(click.Path):
    """A path that is not empty: a shell's variable that is not set leaves an empty text, and for
    Python that is the folder which one is in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("nothing is named", param, ctx)
        return super().convert(value, param, ctx)
