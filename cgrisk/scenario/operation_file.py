"""The operation file: one planned flight, its load sheet, and how its people behave."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cgrisk.scenario.aircraft_file import PhaseKind
from cgrisk.scenario.entry_file import EntryError
from cgrisk.scenario.fields import (
    ASSUMPTION,
    DATA,
    FORMAT,
    LEFT_OUT,
    Count,
    Density,
    Factor,
    FileName,
    Flow,
    FormatVersion,
    Mass,
    Minutes,
    Model,
    Name,
    PersonMass,
    PersonMassShift,
    Quantity,
    Rate,
    Seconds,
    Share,
    SignedLength,
    item,
)
from cgrisk.scenario.mass_file import (
    BodyMass,
    CabinBag,
    LoadSheet,
    PassengerMass,
    PopulationMass,
)
from cgrisk.scenario.service_file import Cart, Service
from cgrisk.scenario.stated_ranges import InUnitsOf, StatedRange
from cgrisk.units import UnitSystem

__all__ = [
    "Behaviour",
    "BodyMass",
    "CabinBag",
    "Cargo",
    "Cart",
    "ClassBehaviour",
    "Crowd",
    "CurtailmentGroup",
    "Fuel",
    "HoldLoad",
    "LoadSheet",
    "OperationFile",
    "OperationalEnvelope",
    "PartyKind",
    "PassengerMass",
    "Passengers",
    "Phase",
    "PopulationMass",
    "Seating",
    "Service",
    "Zone",
]

#: A party has an adult; without this bound the people of a zone would never be used up.
PartyAdults = Annotated[int, Field(ge=1, le=200)]
PartyChildren = Annotated[int, Field(ge=0, le=200)]
SeatingRule = Literal["random", "free", "window_first", "from_front", "from_rear"]


class Zone(Model):
    """A cabin zone: rows counted together at one arm on the load sheet."""

    name: Name = item()
    """Name of the zone."""
    rows: Name = item()
    """Row numbers of the zone, for instance "1-9"."""
    adults: Count = item()
    """Adults the load sheet shows in this zone."""
    children: Count = item(0)
    """Children (2 to 12 years) the load sheet shows in this zone."""
    men: Count | None = item(None)
    """Men among the adults, where the load sheet counts by sex; none means by male_share.

    So many are aboard. In a load that is looked for or changed, male_share holds.
    """
    infants: Count = item(0)
    """Infants (under 2 years) on the laps of adults in this zone; they take no seat."""
    weighed: Mass | None = item(None)
    """What the zone's people weigh by the scale, where they are weighed; none means their mean."""
    arm: SignedLength | None = item(None)
    """Arm the load sheet uses for the zone; none means the centroid of its seats."""


class Passengers(Model):
    """Who is aboard, apart from the counts the load sheet shows."""

    male_share: Share = item(0.55, source=ASSUMPTION)
    """Share of men among adults."""
    last_minute_off: Annotated[float, Quantity(low=0.0, high=20.0)] = item(0.3, source=ASSUMPTION)
    """Mean number of adults per zone who are on the load sheet but not aboard (Poisson)."""
    last_minute_on: Annotated[float, Quantity(low=0.0, high=20.0)] = item(0.3, source=ASSUMPTION)
    """Mean number of adults per zone who are aboard but not on the load sheet (Poisson)."""


class PartyKind(Model):
    """A kind of group that sits together; people in none of the kinds travel alone."""

    name: Name = item()
    """Name of the kind."""
    share: Share = item(source=ASSUMPTION)
    """Share of the adults who travel in such parties."""
    adults: Annotated[tuple[PartyAdults, PartyAdults], Field(strict=False)] = item()
    """Least and most adults in a party, all sizes equally likely."""
    children: Annotated[tuple[PartyChildren, PartyChildren], Field(strict=False)] = item((0, 0))
    """Least and most children in a party, as long as the zone has children left.

    Kinds with children board first, and only as long as the zone has children left.
    """
    same_sex: Share = item(0.0, source=ASSUMPTION)
    """Chance that all adults of the party are of one sex; otherwise each is drawn alone."""
    mass_correlation: Share = item(0.0, source=ASSUMPTION)
    """Correlation of body mass (as normal scores) between members of the party."""
    mass_shift: PersonMassShift = item(0.0, source=ASSUMPTION)
    """Mean body mass of its adults above the population's, for instance a sports team."""


class Seating(Model):
    """Who sits where."""

    rule: SeatingRule = item("random", source=ASSUMPTION)
    """How seats are taken.

    random: assigned at random; free: by preference; window_first: window, aisle, then middle
    seats; from_front, from_rear: rows filled in order.
    """
    parties: Literal["together", "apart"] = item("together", source=ASSUMPTION)
    """together: a party sits side by side where it can; apart: each member as if he were alone."""
    scope: Literal["zone", "cabin"] = item("zone", source=ASSUMPTION)
    """zone: everybody sits in the zone where the load sheet counts him; cabin: anywhere."""
    window_preference: Annotated[float, Quantity(low=1e-6, high=1000.0)] = item(
        0.62, source="mean of three published surveys of seat preference, as quoted in the press"
    )
    """Weight of a window seat under the rule free."""
    middle_preference: Annotated[float, Quantity(low=1e-6, high=1000.0)] = item(
        0.01, source="mean of three published surveys of seat preference, as quoted in the press"
    )
    """Weight of a middle seat under the rule free."""
    aisle_preference: Annotated[float, Quantity(low=1e-6, high=1000.0)] = item(
        0.37, source="mean of three published surveys of seat preference, as quoted in the press"
    )
    """Weight of an aisle seat under the rule free."""
    forward_preference: Annotated[float, Quantity(low=-20.0, high=20.0)] = item(
        0.0, source=ASSUMPTION
    )
    """Under the rule free, natural logarithm of the front row's weight over the rear row's."""
    movers_share: Share = item(0.0, source=ASSUMPTION)
    """Share of passengers who change to a free seat of their class, anywhere, after boarding."""
    blocked: Annotated[tuple[str, ...], Field(strict=False, max_length=1000)] = item(())
    """Seats ("12A") or rows ("12", "20-29") that nobody may use."""


class HoldLoad(Model):
    """Planned load of one hold compartment."""

    hold: Name = item()
    """Name of the compartment in the aircraft file."""
    bags: Annotated[int, Field(ge=0, le=2000)] = item(0)
    """Number of checked bags, counted on the load sheet at the standard mass."""
    cargo: Mass = item(0.0)
    """Weighed cargo and mail."""


class Cargo(Model):
    """How far the real hold load stands from the load sheet."""

    bag_mean: PersonMass = item(15.9, source="EASA.2021.C24 survey (2022), quoted second-hand")
    """Real mean mass of a checked bag."""
    bag_sd: PersonMass = item(5.0, source=ASSUMPTION)
    """Standard deviation of the mass of one bag."""
    bag_sd_flight: PersonMass = item(0.6, source=ASSUMPTION)
    """Standard deviation between flights of the mean bag (holiday makers, business)."""
    cargo_sd: Share = item(0.01, source=ASSUMPTION)
    """Standard deviation of weighed cargo, as a share of its mass."""
    position_sd: Share = item(0.08, source=ASSUMPTION)
    """Standard deviation of the load's centroid, as a share of the compartment's length."""
    misplaced_bags: Annotated[float, Quantity(low=0.0, high=200.0)] = item(0.0, source=ASSUMPTION)
    """Mean number of bags per flight loaded into another compartment than planned (Poisson)."""


class Fuel(Model):
    """Fuel aboard and how far it may differ."""

    block: Mass = item()
    """Fuel at start of taxi."""
    density: Density | None = item(None)
    """Planned density; none means the aircraft's reference density."""
    density_mean: Density = item(800.0, source="middle of the range of ASTM D1655; assumption")
    """Mean of the real density."""
    density_sd: Annotated[float, Quantity("density", low=0.0, high=100.0)] = item(
        8.0, source="recalled world mean about 805 kg/m3 with SD 8; assumption"
    )
    """Standard deviation of the real density."""
    burn_sd: Share = item(0.03, source=ASSUMPTION)
    """Standard deviation between flights of the fuel flow, as a share."""


class Phase(Model):
    """A stretch of the flight with one configuration."""

    kind: PhaseKind = item()
    """Kind of phase; it selects the certified envelope."""
    name: Name | None = item(None)
    """Name, where a kind occurs more than once; none means the kind."""
    minutes: Annotated[float, Quantity(low=0.01, high=1500.0, unit="min")] = item()
    """Length."""
    fuel_flow: Flow = item()
    """Fuel flow, all engines."""
    gear: Literal["down", "up"] = item("up")
    """Gear position at the end of the phase."""
    flaps: str | None = item(None)
    """Flap position of the phase by name; none means retracted."""
    sign: bool = item(False)
    """Seat-belt sign lit."""
    getting_up: Factor = item(1.0, source=ASSUMPTION)
    """Factor on everybody's rate of getting up in this phase: a dark cabin, a film, a view."""
    asleep: Share = item(0.0, source=LEFT_OUT)
    """Share of the passengers who sleep through the phase and do not get up by themselves.

    Who sleeps in a phase sleeps in all with a share at least as large.
    """
    crew_resting: Annotated[int, Field(ge=0, le=24)] = item(0)
    """Cabin crew in the crew rest during the phase: the last of the stations, in the file's order.

    Only in phases of kind cruise.
    """
    altitude_ft: Annotated[float, Quantity(low=-2000.0, high=60000.0, unit="ft")] = item(0.0)
    """Pressure altitude at the end of the phase."""
    speed_kt: Annotated[float, Quantity(low=0.0, high=600.0, unit="kt")] = item(0.0)
    """Equivalent airspeed."""


_FITTED = (
    "fitted: with the other defaults, the share of passengers who never leave the seat on the "
    "shipped flight of 4.4 hours is that of PNAS 115(14):3623 (2018)"
)


class Behaviour(Model):
    """How passengers get up and what for."""

    trips_window: Rate = item(0.105, source=_FITTED)
    """Rate of getting up from a window seat with the sign off, crowds and company apart."""
    trips_middle: Rate = item(0.122, source=_FITTED)
    """Rate of getting up from a middle seat."""
    trips_aisle: Rate = item(0.343, source=_FITTED)
    """Rate of getting up from an aisle seat."""
    sign_factor: Share = item(0.1, source=ASSUMPTION)
    """The rate is multiplied by this with the sign lit; in take-off and landing nobody gets up."""
    lavatory_share: Share = item(0.85, source=ASSUMPTION)
    """Share of trips that go to a lavatory; the others stand about at a galley."""
    lavatory_mean: Seconds = item(
        165.0, source="judgement from ground observation studies; assumption"
    )
    """Mean time inside a lavatory."""
    lavatory_cv: Annotated[float, Quantity(low=0.0, high=3.0)] = item(0.55, source=ASSUMPTION)
    """Coefficient of variation of that time."""
    lavatory_law: Literal["lognormal", "exponential"] = item("lognormal", source=ASSUMPTION)
    """Law of that time; the exponential one has coefficient of variation 1."""
    water_per_visit: PersonMass = item(0.5, source=ASSUMPTION)
    """Water that goes from the potable tank to the waste tank at each visit to a lavatory."""
    standing_mean: Minutes = item(4.0, source=ASSUMPTION)
    """Mean time standing about (exponential)."""
    companion_share: Share = item(0.1, source=ASSUMPTION)
    """Chance that a party member comes along on a trip."""
    walking_speed: Annotated[float, Quantity(low=0.1, high=3.0, unit="m/s")] = item(
        0.8, source="boarding walking speed, Schultz, Aerospace 5(1):27 (2018)"
    )
    """Mean walking speed in the aisle."""
    walking_cv: Annotated[float, Quantity(low=0.0, high=1.0)] = item(0.15, source=ASSUMPTION)
    """Coefficient of variation of the walking speed between people."""
    retry_mean: Annotated[float, Quantity(low=0.1, high=1500.0, unit="min")] = item(
        6.0, source=ASSUMPTION
    )
    """Mean time until someone who found the way blocked tries again (exponential)."""
    queue_spacing: Annotated[float, Quantity("length", low=0.0, high=2.0)] = item(
        0.5, source=ASSUMPTION
    )
    """Length of aisle that each person in a queue or a crowd takes."""
    queue_limit: Annotated[int, Field(ge=1, le=1000)] = item(10, source=ASSUMPTION)
    """Nobody sets out for a lavatory group where so many wait already; he tries later."""
    lavatory_closed: Share = item(0.0, source=ASSUMPTION)
    """Chance per flight that one lavatory of the cabin, each equally likely, is out of use."""
    recall_minutes: Annotated[float, Quantity(low=0.5, high=60.0, unit="min")] = item(
        3.0, source="common practice, no published source; the figure is an assumption"
    )
    """How long before take-off and before landing the crew sends everybody back to his seat."""


class Crowd(Model):
    """What moves many at once."""

    sign_off_share: Share = item(0.05, source=ASSUMPTION)
    """Share of passengers who get up in the minutes after the sign goes off."""
    sign_off_minutes: Minutes = item(2.0, source=ASSUMPTION)
    """Mean time after which they do (exponential)."""
    after_meal_factor: Factor = item(2.0, source=ASSUMPTION)
    """The rate is multiplied by this after a cart that gives out trays has served the row."""
    after_meal: Minutes = item(20.0, source=ASSUMPTION)
    """How long that lasts."""
    before_landing_factor: Factor = item(1.0, source=LEFT_OUT)
    """The rate is multiplied by this in the last minutes before the recall for the landing."""
    before_landing: Minutes = item(30.0, source=LEFT_OUT)
    """How long before that recall it begins."""
    surge_probability: Share = item(0.0, source=ASSUMPTION)
    """Chance per flight that many go to one end of the cabin in cruise: a view, a disturbance."""
    surge_people: Count = item(20, source=ASSUMPTION)
    """How many take part."""
    surge_toward: Literal["fore", "aft", "either"] = item("aft", source=ASSUMPTION)
    """To which end they go."""
    surge_minutes: Minutes = item(5.0, source=ASSUMPTION)
    """How long they stay."""


class ClassBehaviour(Model):
    """How the passengers of one class of travel differ."""

    name: Name = item()
    """Name of the class, as the aircraft file's rows have it."""
    getting_up: Factor = item(1.0, source=LEFT_OUT)
    """Factor on their rate of getting up: easier seats, more to drink."""
    asleep: Factor = item(1.0, source=LEFT_OUT)
    """Factor on the phases' shares of passengers asleep (never more than all): beds."""


class CurtailmentGroup(Model):
    """Curtailments of the certified envelope on both sides."""

    forward: Annotated[float, Quantity(low=0.0, high=50.0, unit="% MAC")] = item()
    """Taken off the forward limit."""
    aft: Annotated[float, Quantity(low=0.0, high=50.0, unit="% MAC")] = item()
    """Taken off the aft limit."""


class OperationalEnvelope(Model):
    """The operator's own envelope as curtailments of the certified one, by group of phases."""

    take_off_and_landing: CurtailmentGroup = item()
    """Taxi, take-off, approach and landing."""
    in_flight: CurtailmentGroup = item()
    """Climb, cruise and descent."""


class OperationFile(Model):
    """One planned flight of one aircraft."""

    schema_version: Annotated[FormatVersion, Field(alias="schema")] = item(source=FORMAT)
    """Version of the file format."""
    units: UnitSystem = item(source=FORMAT)
    """Units of the file.

    "kg/m" means kg, m, l, kg/l and kg/h; "lb/in" means lb, in, US gal, lb/US gal and lb/h.
    """
    name: Name = item()
    """Name of the operation."""
    note: Annotated[str, Field(max_length=2000)] = item("")
    """Free text: where the data come from; invented data say so."""
    aircraft: FileName = item(source=FORMAT)
    """Aircraft file, in the same folder."""
    fleet: Annotated[int, Field(ge=1, le=1000)] = item(10, source=ASSUMPTION)
    """Number of individual aircraft that fly the operation."""
    zones: Annotated[tuple[Zone, ...], Field(strict=False, min_length=1, max_length=12)] = item()
    """Cabin zones from the front; together they hold every seat."""
    load_sheet: LoadSheet = item(LoadSheet(), source=DATA)
    """Standard masses and rounding."""
    passengers: Passengers = item(Passengers(), source=ASSUMPTION)
    """Who is aboard."""
    parties: Annotated[tuple[PartyKind, ...], Field(strict=False, max_length=12)] = item(
        (), source=ASSUMPTION
    )
    """Kinds of parties."""
    seating: Seating = item(Seating(), source=ASSUMPTION)
    """Who sits where."""
    mass: PassengerMass = item(PassengerMass(), source=ASSUMPTION)
    """Masses of passengers."""
    hold_loads: Annotated[tuple[HoldLoad, ...], Field(strict=False, max_length=20)] = item(())
    """Planned hold loads."""
    cargo: Cargo = item(Cargo(), source=ASSUMPTION)
    """Error of the hold loads."""
    fuel: Fuel = item()
    """Fuel."""
    phases: Annotated[tuple[Phase, ...], Field(strict=False, min_length=1, max_length=40)] = item()
    """Phases in order."""
    with_entry_errors: bool = item(False, source=FORMAT)
    """Tell the consequences of the entry errors; the flights themselves stay without them."""
    entry_errors: Annotated[tuple[EntryError, ...], Field(strict=False, max_length=40)] = item(())
    """Errors on the load sheet whose consequences are told when asked for."""
    speed_change: Annotated[float, Quantity(low=0.01, high=20.0, unit="kt/s")] = item(
        1.0, source=ASSUMPTION
    )
    """Rate at which speeds change between phases, for the trim."""
    thrust_rating: Name | None = item(None)
    """Take-off thrust rating, where the trim tables tell ratings apart."""
    behaviour: Behaviour = item(Behaviour(), source=ASSUMPTION)
    """Getting up."""
    classes: Annotated[tuple[ClassBehaviour, ...], Field(strict=False, max_length=8)] = item(
        (), source=ASSUMPTION
    )
    """How classes of travel differ in it; a class that is not named does not."""
    crowd: Crowd = item(Crowd(), source=ASSUMPTION)
    """Crowd events."""
    service: Service = item(Service(), source=ASSUMPTION)
    """Carts and crew."""
    operational_envelope: OperationalEnvelope | None = item(None)
    """The operator's curtailments; none means the certified envelope alone."""
    sources: dict[str, str] = item({}, source=FORMAT)
    """Where values come from: dotted key of this file to the paper it was read in."""
    ranges: Annotated[dict[str, StatedRange], InUnitsOf(lambda: OperationFile)] = item(
        {}, source=FORMAT
    )
    """Between which ends values lie: dotted key of this file to [low, high], in the key's units."""
