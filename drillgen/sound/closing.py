"""Things that hold something which must be given back, for use in a `with` block."""

from __future__ import annotations

from typing import Self


class Closing:
    """Calls `close` when a `with` block ends, however it ends."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    def close(self) -> None:
        """Give back what is held; a second call does nothing."""
        raise NotImplementedError
