"""Part of the operation file: errors on the load sheet itself."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cgrisk.scenario.fields import ASSUMPTION, Model, Name, Share, item

__all__ = ["EntryError"]


class EntryError(Model):
    """An error on the load sheet itself, whose consequences are asked for."""

    name: Name = item()
    """Name."""
    kind: Literal["zone_count", "swapped_holds", "children_as_adults"] = item()
    """People counted in another zone, loads of two holds swapped, children taken for adults."""
    probability: Share = item(0.0, source=ASSUMPTION)
    """Chance per flight that the load sheet has this error, and no other of the list.

    Used by the tail of rare events alone; 0 leaves the error out of it.
    """
    people: Annotated[int, Field(ge=0, le=1000)] = item(0, source=ASSUMPTION)
    """How many people are counted wrongly."""
    from_zone: Name | None = item(None)
    """Zone in which the load sheet counts them."""
    to_zone: Name | None = item(None)
    """Zone in which they really sit."""
    holds: Annotated[tuple[Name, Name], Field(strict=False)] | None = item(None)
    """Holds whose loads are swapped."""
