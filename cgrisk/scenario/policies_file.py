"""The policies file: named restrictions on who sits where, what is closed, and what is loaded."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cgrisk.scenario.fields import (
    ASSUMPTION,
    FORMAT,
    Count,
    FormatVersion,
    Model,
    Name,
    Quantity,
    Share,
    item,
)
from cgrisk.scenario.operation_file import SeatingRule

__all__ = [
    "Block",
    "CrewStation",
    "Demand",
    "HoldShare",
    "OpenLavatories",
    "PoliciesFile",
    "Policy",
    "Quota",
    "Search",
    "Sign",
    "Standing",
]

Seats = Annotated[tuple[Name, ...], Field(strict=False, min_length=1, max_length=1000)]


class Block(Model):
    """Seats that nobody may use, always or below a number of passengers."""

    seats: Seats = item()
    """Seats ("12A") or rows ("12", "20-29")."""
    below: Annotated[int, Field(ge=1, le=1000)] | None = item(None)
    """They are blocked while there are fewer passengers than this; none means always."""


class Quota(Model):
    """How much of the passengers a cabin zone takes."""

    zone: Name = item()
    """Name of the zone in the operation file."""
    share: Share = item()
    """Share of the passengers who sit there; the shares of all zones add up to 1."""


class OpenLavatories(Model):
    """How many lavatories of a group stay open."""

    name: Name = item()
    """Name of the group in the aircraft file."""
    open: Annotated[int, Field(ge=0, le=8)] = item()
    """Lavatories that stay open; 0 closes the group."""


class Standing(Model):
    """How many passengers may stand about at a galley."""

    name: Name = item()
    """Name of the galley in the aircraft file."""
    standing: Annotated[int, Field(ge=0, le=60)] = item()
    """Passengers who may stand there; 0 closes it to them."""


class Sign(Model):
    """The seat-belt sign in a phase."""

    phase: Name = item()
    """Name of the phase in the operation file, or a kind of phase: all of that kind."""
    lit: bool = item()
    """Whether the sign is lit."""


class CrewStation(Model):
    """How many cabin crew sit at a station."""

    name: Name = item()
    """Name of the station in the aircraft file."""
    crew: Annotated[int, Field(ge=0, le=6)] = item()
    """Crew members there; together the stations keep the number of crew."""


class HoldShare(Model):
    """How much of the hold load a compartment takes."""

    hold: Name = item()
    """Name of the compartment in the aircraft file."""
    share: Share = item()
    """Share of the bags, and of the cargo, that goes there; the shares add up to 1."""


class Policy(Model):
    """A policy: what it does not state stays as the scenario has it."""

    name: Name = item()
    """Name."""
    note: Annotated[str, Field(max_length=2000)] = item("")
    """Free text."""
    seating: SeatingRule | None = item(None)
    """How seats are taken: random, free, window_first, from_front, from_rear."""
    counted: Literal["zone", "cabin"] | None = item(None)
    """zone: everybody sits in the zone where the load sheet counts him; cabin: anywhere."""
    parties: Literal["together", "apart"] | None = item(None)
    """Whether parties sit side by side where they can."""
    zones: Literal["as_loaded", "even", "from_front", "from_rear"] | None = item(None)
    """How the load sheet's counts are spread over the zones.

    as_loaded: in the proportions of the scenario; even: every zone as full as the others;
    from_front, from_rear: zone after zone. None, and no quotas: as_loaded.
    """
    quotas: Annotated[tuple[Quota, ...], Field(strict=False, max_length=12)] = item(())
    """Shares of the passengers by zone, in place of ``zones``."""
    block: Annotated[tuple[Block, ...], Field(strict=False, max_length=40)] = item(())
    """Seats that nobody may use, besides those that the operation file blocks."""
    lavatories: Annotated[tuple[OpenLavatories, ...], Field(strict=False, max_length=20)] = item(())
    """Lavatories that stay open, by group."""
    galleys: Annotated[tuple[Standing, ...], Field(strict=False, max_length=20)] = item(())
    """How many may stand at a galley."""
    carts: Literal["from_front", "from_rear", "to_the_middle", "none"] | None = item(None)
    """Order in which the carts serve their rows.

    from_front, from_rear: every cart begins at that end of its rows; to_the_middle: those of the
    front half from the front, those of the rear half from the rear; none: no service.
    """
    sign: Annotated[tuple[Sign, ...], Field(strict=False, max_length=40)] = item(())
    """The seat-belt sign by phase."""
    crew: Annotated[tuple[CrewStation, ...], Field(strict=False, max_length=20)] = item(())
    """Cabin crew by station."""
    holds: Annotated[tuple[HoldShare, ...], Field(strict=False, max_length=20)] = item(())
    """Shares of the hold load by compartment."""
    movers_share: Share | None = item(None)
    """Share of passengers who move to a free seat anywhere all the same: how it is obeyed."""


class Demand(Model):
    """How many passengers want to fly: what a blocked seat costs."""

    kind: Literal["normal", "binomial", "given"] = item("normal", source=ASSUMPTION)
    """normal: rounded, without its part below 0; binomial: those of the booked who show up."""
    mean: Annotated[float, Quantity(low=0.0, high=1000.0)] | None = item(None, source=ASSUMPTION)
    """Of a normal demand."""
    sd: Annotated[float, Quantity(low=0.01, high=1000.0)] | None = item(None, source=ASSUMPTION)
    """Of a normal demand."""
    booked: Annotated[int, Field(ge=1, le=2000)] | None = item(None, source=ASSUMPTION)
    """Of a binomial demand: how many have booked."""
    show_up: Share | None = item(None, source=ASSUMPTION)
    """Of a binomial demand: the chance that each of them comes."""
    counts: Annotated[tuple[Count, ...], Field(strict=False, max_length=1001)] = item(())
    """Of a given demand: numbers of passengers."""
    shares: Annotated[tuple[Share, ...], Field(strict=False, max_length=1001)] = item(
        (), source=ASSUMPTION
    )
    """Of a given demand: the share of flights with each number; they add up to 1."""


class Search(Model):
    """The restrictions among which the least one is looked for, and how it is confirmed."""

    base: Name | None = item(None)
    """Policy that is restricted further; none means the scenario as it is."""
    families: Annotated[
        tuple[Literal["rear_rows", "front_rows", "end_rows", "alternate_rows", "zone_quotas"], ...],
        Field(strict=False, max_length=5),
    ] = item(("rear_rows", "front_rows", "alternate_rows", "zone_quotas"), source=ASSUMPTION)
    """Families of restrictions, each of which grows row by row.

    rear_rows, front_rows: rows blocked from that end; end_rows: from both ends by turns, the rear
    first; alternate_rows: every other row, from the last; zone_quotas: at most so many people in
    a zone, whose other seats stay empty, whichever they are. None: the hold load alone.
    """
    holds: bool = item(True)
    """Whether hold load may be moved between the holds; tried before any seat is blocked."""
    most_blocked: Annotated[int, Field(ge=0, le=1000)] | None = item(None, source=ASSUMPTION)
    """Most seats that a restriction may block; none means half of the cabin's."""
    near: Annotated[int, Field(ge=0, le=20)] = item(5, source=ASSUMPTION)
    """A restriction is confirmed at every number of passengers so many fewer to so many more."""
    attempts: Annotated[int, Field(ge=1, le=20)] = item(5, source=ASSUMPTION)
    """Restrictions that are flown afresh, one after the other, until one is confirmed."""


class PoliciesFile(Model):
    """Policies to be compared, and the demand that says what they cost."""

    schema_version: Annotated[FormatVersion, Field(alias="schema")] = item(source=FORMAT)
    """Version of the file format."""
    name: Name = item()
    """Name of the set."""
    note: Annotated[str, Field(max_length=2000)] = item("")
    """Free text: where the data come from; invented data say so."""
    counts: Annotated[
        tuple[Annotated[int, Field(ge=1, le=1000)], ...], Field(strict=False, max_length=200)
    ] = item(())
    """Numbers of passengers to look at; none means thirty, evenly from a sixth of the seats."""
    bags: Literal["per_passenger", "fixed"] = item("per_passenger", source=ASSUMPTION)
    """Whether the checked bags grow with the passengers or stay; cargo always stays."""
    poor_compliance: Share = item(0.2, source=ASSUMPTION)
    """Share who move to a free seat all the same, for the ranking under poor compliance."""
    demand: Demand | None = item(None)
    """Demand; none means that every number of passengers looked at is equally likely."""
    policies: Annotated[tuple[Policy, ...], Field(strict=False, min_length=1, max_length=40)] = (
        item()
    )
    """Policies."""
    search: Search | None = item(None)
    """Where the least restriction is looked for; none means the defaults of its keys."""
