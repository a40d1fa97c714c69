"""What all models of the drill share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Model(BaseModel):
    """A frozen value whose unknown keys are errors."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, arbitrary_types_allowed=True
    )
