"""What is wrong with a text that should be a chord symbol or a numeral."""

from __future__ import annotations

from typing import ClassVar


class SymbolError(ValueError):
    """A text that is no symbol of its kind."""

    ALLOWED: ClassVar[str]

    def __init__(
        self, message: str, position: int, found: str, suggestion: str = "", allowed: str = ""
    ) -> None:
        super().__init__(message)
        self.message = message
        self.position = position  # where reading stopped, from 0
        self.found = found
        self.allowed = allowed or self.ALLOWED
        self.suggestion = suggestion
