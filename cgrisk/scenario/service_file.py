"""Part of the operation file: carts and crew."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from cgrisk.scenario.fields import (
    ASSUMPTION,
    Minutes,
    Model,
    Name,
    PersonMass,
    Quantity,
    Rate,
    Seconds,
    Share,
    item,
)

__all__ = ["Cart", "Service"]


class Cart(Model):
    """One service cart on one round."""

    galley: Name = item()
    """Galley it starts from and returns to."""
    from_row: Annotated[int, Field(ge=1, le=999)] = item()
    """Row it serves first."""
    to_row: Annotated[int, Field(ge=1, le=999)] = item()
    """Row it serves last."""
    aisle: Annotated[int, Field(ge=1, le=2)] = item(1)
    """Aisle it goes along, and whose seats it serves: 1 is the left one, or the only one."""
    start: Minutes = item()
    """Minutes after the start of cruise when it leaves the galley."""
    mass_full: Annotated[float, Quantity("mass", low=0.0, high=500.0)] = item(
        100.0, source="common practice, no published source"
    )
    """Mass at the start of the round."""
    tray: PersonMass = item(0.6, source="recalled: a meal tray has 0.5 to 1.0 kg; assumption")
    """Mass that passes to each passenger served; 0 for a round that only collects."""
    returned: Share = item(0.6, source=ASSUMPTION)
    """Share of that mass that a later round takes back as waste."""
    seconds_per_passenger: Seconds = item(12.0, source=ASSUMPTION)
    """Mean service time per passenger (exponential)."""
    crew: Annotated[int, Field(ge=0, le=4)] = item(2)
    """Crew members who walk with it."""


class Service(Model):
    """Cabin service."""

    carts: Annotated[tuple[Cart, ...], Field(strict=False, max_length=40)] = item(())
    """Rounds of carts."""
    crew_mass: PersonMass = item(75.0, source="NCC.POL.105, cabin crew including hand baggage")
    """Mass of a cabin crew member; hand baggage, included, is taken to move with him."""
    cart_speed: Annotated[float, Quantity(low=0.05, high=2.0, unit="m/s")] = item(
        0.4, source=ASSUMPTION
    )
    """Speed of a pushed cart."""
    crew_walks: Rate = item(2.0, source=ASSUMPTION)
    """Rate at which each crew member walks through the cabin and back while no cart is out."""
    reseating_share: Share = item(0.0, source=ASSUMPTION)
    """Share of flights on which the crew sends those who changed seats back before take-off."""
