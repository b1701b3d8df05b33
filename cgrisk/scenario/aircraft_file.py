"""The aircraft file: everything about one aircraft type that the model needs, in SI once loaded.

Arms grow aft from the datum. Percentages are of the mean aerodynamic chord (% MAC) unless said.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cgrisk.scenario.aerodynamics_file import Aerodynamics, GroundRun, Stabilizer, TrimTable
from cgrisk.scenario.fields import (
    ASSUMPTION,
    FORMAT,
    LEFT_OUT,
    Density,
    FileName,
    FormatVersion,
    Length,
    Mass,
    Minutes,
    Model,
    Moment,
    Name,
    Number,
    PctMac,
    Quantity,
    SeatLetter,
    SeatLetters,
    Share,
    SignedLength,
    Volume,
    item,
)
from cgrisk.scenario.stated_ranges import InUnitsOf, StatedRange
from cgrisk.units import UnitSystem

__all__ = [
    "AircraftFile",
    "BurnStep",
    "Cabin",
    "CrewRest",
    "CrewSeat",
    "DryUncertainty",
    "Envelope",
    "Flap",
    "FuelTransfer",
    "FuelUncertainty",
    "Galley",
    "Gear",
    "Hold",
    "Lavatory",
    "LimitsReferTo",
    "Masses",
    "PhaseKind",
    "Reference",
    "RefuelStep",
    "RowGroup",
    "Seat",
    "Tank",
    "Water",
]

PhaseKind = Literal[
    "taxi_out", "take_off", "climb", "cruise", "descent", "approach", "landing", "taxi_in"
]
MassPct = Annotated[tuple[Mass, PctMac], Field(strict=False)]
VolumeArm = Annotated[tuple[Volume, SignedLength], Field(strict=False)]
MassIndex = Annotated[tuple[Mass, Number], Field(strict=False)]


class Reference(Model):
    """Chord, and the load sheet's index formula.

    index = mass x (arm - index_arm) / index_scale + index_constant
    """

    lemac: SignedLength = item()
    """Arm of the leading edge of the mean aerodynamic chord (LEMAC)."""
    mac: Annotated[float, Quantity("length", above=0.0, high=30.0)] = item()
    """Length of the mean aerodynamic chord (MAC)."""
    index_arm: SignedLength = item()
    """Reference arm of the index formula."""
    index_scale: Annotated[float, Quantity("moment", low=1e-3, high=1e7)] = item()
    """Moment that makes one index unit."""
    index_constant: Number = item(0.0)
    """Constant added so that the index stays positive."""


class Masses(Model):
    """Certified maxima, and the dry operating mass with its CG in exactly one of three forms."""

    max_taxi: Mass = item()
    """Maximum taxi mass."""
    max_take_off: Mass = item()
    """Maximum take-off mass."""
    max_landing: Mass = item()
    """Maximum landing mass."""
    max_zero_fuel: Mass = item()
    """Maximum zero-fuel mass."""
    dry_operating: Mass = item()
    """Dry operating mass: crew, pantry and potable water aboard; no payload and no usable fuel."""
    dry_operating_cg: PctMac | None = item(None)
    """CG at dry operating mass in % MAC."""
    dry_operating_arm: SignedLength | None = item(None)
    """CG at dry operating mass as an arm."""
    dry_operating_index: Number | None = item(None)
    """Dry operating index (DOI), by the index formula."""


class LimitsReferTo(Model):
    """Configuration that the certified CG limits are stated for."""

    gear: Literal["down", "up"] = item("down")
    """Landing gear position the limits refer to."""
    flaps: str | None = item(None)
    """Name of the flap position the limits refer to; none means retracted."""


class Envelope(Model):
    """Certified CG envelope of some phases: limits against mass, straight between points.

    Below the lowest and above the highest mass the limit is held constant. Two points at one mass
    make a step; at the step itself the narrower side counts.
    """

    phases: Annotated[tuple[PhaseKind, ...], Field(strict=False, min_length=1)] = item()
    """Kinds of phase this envelope governs."""
    forward: Annotated[tuple[MassPct, ...], Field(strict=False, min_length=1, max_length=40)] = (
        item()
    )
    """Points [mass, % MAC] of the forward limit, mass not decreasing."""
    aft: Annotated[tuple[MassPct, ...], Field(strict=False, min_length=1, max_length=40)] = item()
    """Points [mass, % MAC] of the aft limit, mass not decreasing."""


class RowGroup(Model):
    """Consecutive rows that share layout and pitch."""

    rows: Name = item()
    """Row numbers, for instance "1-9" or "12,14-20"."""
    pitch: Annotated[float, Quantity("length", above=0.2, high=5.0)] = item()
    """Distance from each row to the row before it (also from the last row of the group before)."""
    seats: SeatLetters | None = item(None)
    """Seat letters from left to right, a hyphen where an aisle is; none means the cabin's."""
    cabin_class: Name = item("economy")
    """Class of travel."""


class Seat(Model):
    """One seat of an explicit seat plan (the rows of a seat-plan CSV)."""

    row: Annotated[int, Field(ge=1, le=999)] = item()
    """Row number."""
    letter: SeatLetter = item()
    """Seat letter."""
    arm: SignedLength = item()
    """Arm of the occupant's centre of mass."""
    position: Literal["window", "middle", "aisle"] = item()
    """Place of the seat in its row."""
    aisle: Annotated[int, Field(ge=1, le=2)] = item(1)
    """Aisle its occupant uses: 1 is the left one, or the only one."""
    cabin_class: Name = item("economy")
    """Class of travel."""


class Lavatory(Model):
    """A group of lavatories at one place."""

    name: Name = item()
    """Name of the group."""
    arm: SignedLength = item()
    """Arm of a person inside."""
    count: Annotated[int, Field(ge=1, le=8)] = item(1)
    """Lavatories in the group, served by one queue."""
    queue_toward: Literal["fore", "aft"] = item()
    """Direction in which the queue grows along the aisle."""
    classes: Annotated[tuple[Name, ...], Field(strict=False, max_length=8)] = item(())
    """Classes of travel whose passengers may use it; none named means all."""


class Galley(Model):
    """A galley: carts park here, and people may stand about."""

    name: Name = item()
    """Name of the galley."""
    arm: SignedLength = item()
    """Arm of a person or cart standing in it."""
    standing: Annotated[int, Field(ge=0, le=60)] = item(4, source=ASSUMPTION)
    """How many passengers may stand about in it."""
    classes: Annotated[tuple[Name, ...], Field(strict=False, max_length=8)] = item(())
    """Classes of travel whose passengers may stand about in it; none named means all."""


class CrewSeat(Model):
    """A cabin crew station."""

    name: Name = item()
    """Name of the station."""
    arm: SignedLength = item()
    """Arm of the seated crew member."""
    crew: Annotated[int, Field(ge=1, le=6)] = item(1)
    """Crew members seated there."""


class CrewRest(Model):
    """Where cabin crew rest on a long flight."""

    arm: SignedLength = item()
    """Arm of those who rest."""
    bunks: Annotated[int, Field(ge=1, le=24)] = item(4, source=ASSUMPTION)
    """How many may rest at a time."""


class Water(Model):
    """Potable and waste water: use moves mass from one tank to the other."""

    potable_arm: SignedLength = item()
    """Arm of the potable water tank."""
    waste_arm: SignedLength = item()
    """Arm of the waste tank."""
    mass: Annotated[float, Quantity("mass", low=0.0, high=5000.0)] = item()
    """Potable water aboard, as counted in the dry operating mass."""


class Cabin(Model):
    """Rows and seats, and what people walk to. Rows compactly, or an explicit seat plan."""

    first_row_arm: SignedLength | None = item(None)
    """Arm of the occupants of the first row."""
    seats: SeatLetters | None = item(None)
    """Seat letters of a row from left to right, a hyphen where an aisle is, as in "ABC-DEF"."""
    rows: Annotated[tuple[RowGroup, ...], Field(strict=False, max_length=40)] = item(())
    """Groups of rows, from the front."""
    missing: Annotated[tuple[str, ...], Field(strict=False, max_length=400)] = item(())
    """Seats not fitted, for instance ["1A", "1F"]."""
    seat_plan: FileName | None = item(None)
    """Instead of rows, a CSV file in the same folder.

    Its columns are row, letter, arm, position and, if wanted, aisle and cabin_class.
    """
    seat_table: Annotated[tuple[Seat, ...], Field(strict=False, max_length=1000)] = item(())
    """The seat plan itself; a seat-plan CSV is read into this."""
    lavatories: Annotated[tuple[Lavatory, ...], Field(strict=False, max_length=12)] = item(())
    """Lavatory groups."""
    galleys: Annotated[tuple[Galley, ...], Field(strict=False, max_length=12)] = item(())
    """Galleys."""
    crew_seats: Annotated[tuple[CrewSeat, ...], Field(strict=False, max_length=24)] = item(())
    """Cabin crew stations."""
    crew_rest: CrewRest | None = item(None)
    """Crew rest; the operation's phases say who rests when."""
    water: Water | None = item(None)
    """Potable and waste water; none means that its use moves nothing."""


class Hold(Model):
    """A hold compartment on the load sheet."""

    name: Name = item()
    """Name of the compartment."""
    arm: SignedLength = item()
    """Arm of its centroid, which the load sheet uses."""
    length: Length = item()
    """Usable length along the aircraft."""
    max_load: Mass = item()
    """Maximum load of the compartment."""


class Tank(Model):
    """A fuel tank, with its moment by fill in exactly one of two forms."""

    name: Name = item()
    """Name of the tank."""
    capacity: Annotated[float, Quantity("volume", low=1e-3, high=500.0)] = item()
    """Usable capacity."""
    layers: Annotated[tuple[VolumeArm, ...], Field(strict=False, max_length=200)] = item(())
    """Geometry: [volume, arm] of each layer of fuel, in the order the tank fills.

    A swept wing fills inboard first. The volumes add up to the capacity.
    """
    arm_by_quantity: Annotated[tuple[VolumeArm, ...], Field(strict=False, max_length=200)] = item(
        ()
    )
    """Points [volume in the tank, arm of that whole volume].

    Volumes rise to the capacity; the arm is straight between points.
    """


class BurnStep(Model):
    """One step of the burn schedule: tanks that feed in equal flows until down to a level."""

    tanks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1, max_length=12)] = item()
    """Tanks that feed in this step, each an equal share of the flow while it has fuel."""
    down_to: Volume = item(0.0)
    """Quantity left in each tank when the step ends."""


class RefuelStep(Model):
    """One step of the refuelling order."""

    tanks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1, max_length=12)] = item()
    """Tanks filled together, in equal quantities, until they are full."""


class FuelTransfer(Model):
    """A transfer of fuel between tanks, as to and from a trim tank in the tail.

    It falls due when the fuel aboard has come down to ``at_fuel``, but not before the first phase
    of kind cruise (without one it never does), and starts a while later. It ends when the quantity
    has been moved, the giving tanks are empty or the taking ones full. Then the burn schedule is
    gone through again from its first step.
    """

    name: Name = item()
    """Name of the transfer."""
    from_tanks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1, max_length=12)] = (
        item()
    )
    """Tanks that give, each an equal share of the flow while it has fuel."""
    to_tanks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1, max_length=12)] = item()
    """Tanks that take, each an equal share of the flow while it has room."""
    at_fuel: Mass = item()
    """Fuel aboard at which the transfer falls due."""
    flow: Annotated[float, Quantity("flow", low=1e-3, high=20.0)] = item()
    """Flow of the transfer, as mass over time."""
    quantity: Volume | None = item(None)
    """Quantity to be moved; none means all that the giving tanks hold."""
    late_mean: Minutes = item(0.0, source=LEFT_OUT)
    """Mean time by which it starts late (exponential); the planned path takes it as on time."""
    stuck: Share = item(0.0, source=LEFT_OUT)
    """Chance per flight that it does not take place, and nobody does anything about it."""


class Gear(Model):
    """Landing gear as a moving mass."""

    retraction_moment: Moment = item(0.0)
    """Change of the mass moment when the gear retracts (negative: mass moves forward)."""
    travel_s: Annotated[float, Quantity(low=0.0, high=120.0, unit="s")] = item(
        12.0, source=ASSUMPTION
    )
    """Time the gear takes to travel."""


class Flap(Model):
    """A flap position as a moving mass."""

    name: Name = item()
    """Name of the position."""
    moment: Moment = item(0.0)
    """Mass moment relative to flaps retracted (positive: mass moves aft)."""
    lift: Annotated[float, Quantity(low=-1.0, high=4.0)] = item(0.0)
    """Change of the lift coefficient at the same incidence."""
    pitching_moment: Annotated[float, Quantity(low=-3.0, high=3.0)] = item(0.0)
    """Change of the pitching moment coefficient about the aerodynamic centre."""
    centre_shift: Annotated[float, Quantity(low=-50.0, high=50.0, unit="% MAC")] = item(0.0)
    """Shift of the aerodynamic centre."""
    drag: Annotated[float, Quantity(low=0.0, high=1.0)] = item(0.0)
    """Change of the drag coefficient."""
    downwash_factor: Annotated[float, Quantity(low=0.0, high=5.0)] = item(1.1, source=ASSUMPTION)
    """Downwash of the flaps' lift as a multiple of that of the wing's."""
    greatest_lift: Annotated[float, Quantity(low=0.1, high=6.0)] = item(1.4, source=ASSUMPTION)
    """Greatest lift coefficient, for the stall speed."""


class DryUncertainty(Model):
    """How far dry operating mass and CG of an aircraft and a flight stand from the papers."""

    mass_bias: Annotated[float, Quantity("mass", low=-1e5, high=1e5)] = item(0.0, source=ASSUMPTION)
    """Known mean error of the dry operating mass in this operation (actual less papers)."""
    mass_sd_aircraft: Mass = item(0.0, source=ASSUMPTION)
    """Standard deviation between aircraft: growth since weighing, scales."""
    mass_sd_flight: Mass = item(0.0, source=ASSUMPTION)
    """Standard deviation between flights: pantry, water, crew bags."""
    cg_bias: PctMac = item(0.0, source=ASSUMPTION)
    """Known mean error of the dry operating CG in this operation."""
    cg_sd_aircraft: Annotated[float, Quantity(low=0.0, high=20.0, unit="% MAC")] = item(
        0.0, source=ASSUMPTION
    )
    """Standard deviation of the dry operating CG between aircraft."""
    cg_sd_flight: Annotated[float, Quantity(low=0.0, high=20.0, unit="% MAC")] = item(
        0.0, source=ASSUMPTION
    )
    """Standard deviation of the dry operating CG between flights."""


class FuelUncertainty(Model):
    """Quantity gauging and distribution of fuel between tanks."""

    gauging_of_reading: Share = item(0.0, source=ASSUMPTION)
    """Standard deviation of a tank's gauging error, as a share of its reading."""
    gauging_of_capacity: Share = item(0.0, source=ASSUMPTION)
    """Standard deviation of a tank's gauging error, as a share of its full capacity."""


class AircraftFile(Model):
    """One aircraft type. Masses, arms and volumes in the file's declared units."""

    schema_version: Annotated[FormatVersion, Field(alias="schema")] = item(source=FORMAT)
    """Version of the file format."""
    units: UnitSystem = item(source=FORMAT)
    """Units of the file.

    "kg/m" means kg, m, l, kg/l and kg/h; "lb/in" means lb, in, US gal, lb/US gal and lb/h.
    """
    name: Name = item()
    """Name of the aircraft."""
    note: Annotated[str, Field(max_length=2000)] = item("")
    """Free text: where the data come from; invented data say so."""
    reference: Reference = item()
    """Chord and index formula."""
    masses: Masses = item()
    """Certified maxima and dry operating mass."""
    limits_refer_to: LimitsReferTo = item(LimitsReferTo())
    """Configuration that the certified CG limits are stated for."""
    limits_already_include: Annotated[tuple[Literal["gear", "flaps"], ...], Field(strict=False)] = (
        item(())
    )
    """Movements that the certified limits already allow for, so that they are not counted again."""
    envelopes: Annotated[tuple[Envelope, ...], Field(strict=False, min_length=1, max_length=8)] = (
        item()
    )
    """Certified CG envelopes; together they cover every phase the operation flies."""
    cabin: Cabin = item()
    """Cabin."""
    holds: Annotated[tuple[Hold, ...], Field(strict=False, max_length=20)] = item(())
    """Hold compartments."""
    reference_density: Density = item(800.0, source="common practice, no published source")
    """Fuel density that capacities and fuel index tables are stated at."""
    tanks: Annotated[tuple[Tank, ...], Field(strict=False, max_length=12)] = item(())
    """Fuel tanks; leave empty where a fuel index table is given."""
    refuel_order: Annotated[tuple[RefuelStep, ...], Field(strict=False, max_length=12)] = item(())
    """Order in which tanks are filled."""
    burn_schedule: Annotated[tuple[BurnStep, ...], Field(strict=False, max_length=24)] = item(())
    """Order in which tanks feed the engines."""
    fuel_transfers: Annotated[tuple[FuelTransfer, ...], Field(strict=False, max_length=4)] = item(
        ()
    )
    """Transfers of fuel between tanks in flight."""
    fuel_index_table: FileName | None = item(None)
    """Instead of tanks, a CSV file in the same folder, at reference density.

    Its columns are fuel (mass aboard) and index (by the index formula, less its constant).
    """
    fuel_index: Annotated[tuple[MassIndex, ...], Field(strict=False, max_length=400)] = item(())
    """The fuel index table itself, as [mass, index]; a CSV is read into this."""
    gear: Gear = item(Gear())
    """Landing gear."""
    flaps: Annotated[tuple[Flap, ...], Field(strict=False, max_length=12)] = item(())
    """Flap positions, retracted first."""
    flap_travel_s: Annotated[float, Quantity(low=0.0, high=120.0, unit="s")] = item(
        20.0, source=ASSUMPTION
    )
    """Time the flaps take between positions."""
    aerodynamics: Aerodynamics | None = item(None)
    """Aerodynamics; without it no trim is computed."""
    stabilizer: Stabilizer | None = item(None)
    """Stabilizer and elevator; without it no trim is computed."""
    ground_run: GroundRun | None = item(None)
    """Ground run; without it no rotation at take-off is computed."""
    trim_tables: Annotated[tuple[TrimTable, ...], Field(strict=False, max_length=40)] = item(())
    """The operator's take-off trim tables; without one the setting is computed."""
    dry_uncertainty: DryUncertainty = item(DryUncertainty())
    """Error of the dry operating mass and CG, by level."""
    fuel_uncertainty: FuelUncertainty = item(FuelUncertainty())
    """Error of the fuel gauges."""
    sources: dict[str, str] = item({}, source=FORMAT)
    """Where values come from: dotted key of this file to the paper it was read in."""
    ranges: Annotated[dict[str, StatedRange], InUnitsOf(lambda: AircraftFile)] = item(
        {}, source=FORMAT
    )
    """Between which ends values lie: dotted key of this file to [low, high], in the key's units."""
