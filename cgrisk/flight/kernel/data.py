"""What the compiled kernel is given: flat arrays in SI, grouped in named tuples.

Arrays are C-contiguous; floats are float64, whole numbers int64. Sizes: ``S`` seats, ``R`` regions
(groups of seats that a known number of people fill), ``Z`` zones, ``K`` kinds of party, ``H`` hold
compartments, ``T`` tanks, ``X`` transfers of fuel, ``P`` phases, ``L`` lavatory groups, ``G``
galleys, ``V`` classes of travel, ``C`` carts.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CabinData",
    "CallData",
    "ConfigurationData",
    "CrowdData",
    "DryData",
    "FuelData",
    "HoldData",
    "LimitData",
    "MassData",
    "PartyData",
    "PathData",
    "PlacesData",
    "Program",
    "ServiceData",
    "SheetData",
    "TimelineData",
    "TransferData",
    "TrimData",
    "UrgeData",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class DryData(NamedTuple):
    """Dry operating mass and CG with their errors."""

    papers_mass_kg: float
    papers_arm_m: float
    mass_kg: float
    """Papers plus the known bias."""
    arm_m: float
    """Papers plus the known bias."""
    fleet_mass_kg: Floats
    """(fleet,) mass error of each aircraft."""
    fleet_arm_m: Floats
    """(fleet,) CG error of each aircraft, as an arm."""
    mass_sd_kg: float
    arm_sd_m: float


class CabinData(NamedTuple):
    """Seats, regions and the rule that fills them."""

    arm_m: Floats
    """(S,) arm of each seat."""
    region_seats: Ints
    """Usable seats, region after region, side by side in this order."""
    region_start: Ints
    """(R + 1,) where each region's seats start in ``region_seats``."""
    region_first_person: Ints
    """(R,) person number of the region's first person; blocked seats have numbers too, so that a
    person keeps his when seats elsewhere are blocked."""
    zone_region: Ints
    """(Z,) region that a zone's people fill."""
    zone_adults: Ints
    zone_children: Ints
    """(Z,) on the load sheet."""
    zone_standard_kg: Floats
    """(Z,) mass of a zone's people on the load sheet, unrounded."""
    zone_arm_m: Floats
    """(Z,) arm of the load sheet."""
    score_base: Floats
    """(S,) rank of the seat under an ordered rule; people take the lowest score first."""
    score_scale: Floats
    """(S,) spread of the random part of the score."""
    exponential_score: bool
    """Random part exponential (preference weights) instead of uniform."""
    movers_share: float
    reseating_share: float
    reseating_entity: int
    """Entity of the cause service that says whether the crew sends movers back."""
    last_minute_off: float
    last_minute_on: float
    seat_class: Ints
    """(S,) class of travel."""
    classes: int
    parties_apart: bool
    """Members of a party take seats one by one, as if they travelled alone."""


class PartyData(NamedTuple):
    """Kinds of party; kind K is a person alone."""

    adult_cumulative: Floats
    """(K + 1,) running sums of the chance of each kind for a party without children."""
    family_cumulative: Floats
    """(K + 1,) the same for a party with children."""
    adults_low: Ints
    adults_high: Ints
    children_low: Ints
    children_high: Ints
    same_sex: Floats
    correlation: Floats
    shift_kg: Floats


class MassData(NamedTuple):
    """Bodies and bags. Populations: 0 men, 1 women, 2 children: shifted lognormals or tables.

    Where the load sheet counts men or infants, so many are aboard: persons of a region, in their
    order, are chosen one by one with the chance that those left to choose have.
    """

    male_share: float
    shift_kg: Floats
    scale_kg: Floats
    """(3,) median above the shift; standard deviation where ``shape`` is 0 (normal law)."""
    shape: Floats
    """(3,) negative where ``quantile_kg`` holds instead."""
    quantile_kg: Floats
    """(3, Q) body mass at equally spaced normal scores from ``-SCORE_END`` to ``SCORE_END``."""
    bag_none: float
    bag_scale_kg: float
    bag_shape: float
    adult_standard_kg: float
    """Mean over the adults on the load sheet."""
    child_standard_kg: float
    standard_kg: Floats
    """(3,) by population."""
    region_factor: Floats
    """(R,) on the standard masses of a region: what its people were weighed at over them."""
    first_person: Ints
    """(R + 1,) person number of each region's first person, and the number of persons."""
    listed_people: Ints
    listed_adults: Ints
    """(R,) on the load sheet."""
    listed_men: Ints
    """(R,) men among them; -1 where sex is drawn for each adult alone."""
    listed_infants: Ints
    """(R,) infants on laps."""
    infant_kg: float
    infant_sd_kg: float
    weighed_kg: Floats
    """(R,) what the people of a region weigh by the scale; negative where nobody is weighed."""
    scale_sd: float
    """Standard deviation of the scale's error from flight to flight, as a share."""


class HoldData(NamedTuple):
    """Hold compartments."""

    arm_m: Floats
    half_length_m: Floats
    bags: Ints
    cargo_kg: Floats
    planned_mass_kg: Floats
    """(H,) as on the load sheet."""
    planned_arm_m: Floats
    """(H,) as on the load sheet."""
    bag_mean_kg: float
    bag_sd_kg: float
    bag_sd_flight_kg: float
    cargo_sd: float
    position_sd: float
    """As a share of the compartment's length."""
    misplaced: float


class FuelData(NamedTuple):
    """Tanks, their moment tables, and what is pumped where when."""

    block_kg: float
    planned_density: float
    density_mean: float
    density_sd: float
    gauging_of_reading: float
    gauging_of_capacity: float
    reference_density: float
    burn_sd: float
    capacity_m3: Floats
    """(T,)"""
    node_start: Ints
    """(T + 1,) where each tank's nodes start."""
    node_volume_m3: Floats
    node_moment_m4: Floats
    """Integral of arm over volume up to the node."""
    refuel_start: Ints
    refuel_tanks: Ints
    """Tanks of refuelling step ``i``: ``refuel_tanks[refuel_start[i]:refuel_start[i + 1]]``."""
    burn_start: Ints
    burn_tanks: Ints
    burn_down_to_m3: Floats


class TransferData(NamedTuple):
    """Transfers of fuel between tanks (``X`` of them)."""

    from_start: Ints
    from_tanks: Ints
    """Tanks that transfer ``i`` takes from: ``from_tanks[from_start[i]:from_start[i + 1]]``."""
    to_start: Ints
    to_tanks: Ints
    at_kg: Floats
    """(X,) fuel aboard at which each falls due."""
    flow_kgps: Floats
    quantity_m3: Floats
    """(X,) what is moved; infinity for all there is."""
    late_s: Floats
    """(X,) mean."""
    stuck: Floats
    """(X,) chance."""
    earliest_s: float
    """None falls due before; infinity where none ever does."""


class TimelineData(NamedTuple):
    """Phases in order."""

    end_s: Floats
    """(P,) end of each phase, from the start of taxi."""
    flow_kgps: Floats
    group: Ints
    """(P,) 0 taxi, take-off, approach, landing; 1 climb, cruise, descent."""
    take_off: int
    """Phase at whose start the aircraft takes off."""
    landing: int
    """Phase at whose start the landing mass counts."""
    maximum_kg: Floats
    """(4,) maximum taxi, take-off, landing, zero-fuel mass."""


class LimitData(NamedTuple):
    """Certified limits of phase ``p`` and side ``s`` (0 forward, 1 aft), straight pieces.

    Piece ``i`` of ``start[2 p + s]`` to ``start[2 p + s] + pieces[2 p + s]`` holds for masses above
    ``mass_low_kg[i]`` up to the next; the limit is ``intercept_m[i] + slope_m[i] * mass``, an arm.
    """

    start: Ints
    pieces: Ints
    mass_low_kg: Floats
    intercept_m: Floats
    slope_m: Floats
    lemac_m: float
    mac_m: float


class ConfigurationData(NamedTuple):
    """Mass moment of gear and flaps, less what the limits refer to, straight between points."""

    time_s: Floats
    moment_kgm: Floats


class PathData(NamedTuple):
    """Changes of moment by movement: at a time, a change of rate and a jump. Sorted by time."""

    time_s: Floats
    rate_kgmps: Floats
    jump_kgm: Floats


class PlacesData(NamedTuple):
    """Aisles, and what people walk to."""

    aisles: int
    seat_aisle: Ints
    """(S,) from 0."""
    seat_position: Ints
    """(S,) 0 window, 1 middle, 2 aisle."""
    seat_class: Ints
    """(S,) class of travel, of ``V``."""
    class_lavatory: NDArray[np.bool_]
    """(V, L) whether a class may use a lavatory group."""
    class_galley: NDArray[np.bool_]
    """(V, G) whether a class may stand about in a galley."""
    lavatory_arm_m: Floats
    lavatory_count: Ints
    closed_chance: float
    """Chance per flight that one lavatory of the cabin is closed."""
    queue_step_m: Floats
    """(L,) from one place of the queue to the next, away from the lavatory, signed."""
    queue_limit: int
    galley_arm_m: Floats
    galley_room: Ints
    change_arm_m: Floats
    """(L + G,) where people may change aisles."""
    end_arm_m: Floats
    """(2,) foremost and rearmost row of seats."""
    spacing_m: float
    water_kg: float
    water_per_visit_kg: float
    water_shift_m: float
    """Waste tank less potable tank."""


class UrgeData(NamedTuple):
    """When people want to get up, what for, and for how long. Stretches of constant urge."""

    seat_rate_per_s: Floats
    """(S,)"""
    node_s: Floats
    """(N + 1,) ends of the stretches."""
    factor: Floats
    """(N,) on everybody's rate; 0 where getting up is barred."""
    quiet: NDArray[np.bool_]
    """(N,) sign off, and getting up not barred."""
    barred: NDArray[np.bool_]
    after_meal_factor: float
    after_meal_s: float
    total_s: float
    """Upper bound of the integral of the factor over the flight."""
    lavatory_share: Floats
    """(V,) by class of travel."""
    asleep: Floats
    """(N,) share of the passengers asleep."""
    class_asleep: Floats
    """(V,) factor on it by class of travel."""
    lavatory_scale_s: float
    lavatory_shape: float
    """Negative for the exponential law."""
    standing_mean_s: float
    retry_mean_s: float
    companion_share: float
    speed_scale_mps: float
    speed_shape: float


class CallData(NamedTuple):
    """What the crew or the sign tells everybody. Sorted by time."""

    time_s: Floats
    kind: Ints
    """0 sign off, 1 sign on, 2 recall."""
    seated_s: Floats
    """For a recall: when everybody sits."""


class CrowdData(NamedTuple):
    """What moves many at once."""

    sign_off_share: float
    sign_off_mean_s: float
    surge_probability: float
    surge_people: int
    surge_toward: int
    """-1 fore, 1 aft, 0 either."""
    surge_stay_s: float
    cruise_start_s: Floats
    cruise_s: Floats
    """Start and length of the phases of kind cruise."""


class ServiceData(NamedTuple):
    """Carts in the order of their start, and crew members in the order of their stations."""

    number: Ints
    """(C,) place in the file."""
    galley_arm_m: Floats
    start_s: Floats
    stow_s: Floats
    """(C,) when it must be back."""
    in_the_way: NDArray[np.bool_]
    """(C, C) whether two carts use the same stretch of an aisle, or a row in common."""
    aisle: Ints
    mass_kg: Floats
    tray_kg: Floats
    returned: Floats
    seconds: Floats
    """(C,) mean per passenger."""
    crew: Ints
    stop_start: Ints
    """(C + 1,) where each cart's stops start."""
    stop_arm_m: Floats
    seat_start: Ints
    """(stops + 1,) where each stop's seats start."""
    seats: Ints
    seat_arm_m: Floats
    """Of each of ``seats``."""
    speed_mps: float
    crew_arm_m: Floats
    """(members,) station."""
    crew_mass_kg: float
    walk_rate_per_s: float
    walk_speed_mps: float
    rest_start: Ints
    """(members + 1,) where each member's rests start."""
    rest_from_s: Floats
    rest_until_s: Floats
    rest_arm_m: float
    walk_from_s: float
    walk_until_s: float
    end_arm_m: Floats
    """(2,) foremost and rearmost row of seats."""


class SheetData(NamedTuple):
    """The load sheet's answer and the planned path."""

    rounding_kgm: float
    """Moment of the unrounded lines less that of the load sheet's zero-fuel CG and mass."""
    zero_fuel_mass_kg: float
    zero_fuel_moment_kgm: float
    take_off_arm_m: float
    take_off_fuel_kg: float
    take_off_fuel_moment_kgm: float
    node_time_s: Floats
    node_mass_kg: Floats
    node_moment_kgm: Floats


class TrimData(NamedTuple):
    """The setting that trims: ``base + by_mass * mass + by_moment * moment`` (rad).

    Its coefficients are straight between nodes in time; at least two nodes.
    """

    slot: Ints
    """(P,) number of a phase among those in the air whose trim is followed; -1 for the others."""
    start_rad: float
    """Where the stabilizer is when the first of them begins; nan: in trim."""
    time_s: Floats
    base_rad: Floats
    by_mass: Floats
    by_moment: Floats
    rate_radps: Floats
    """Rate of the stabilizer from each node on."""


class Program(NamedTuple):
    """Everything one flight needs, apart from its random keys."""

    dry: DryData
    cabin: CabinData
    party: PartyData
    mass: MassData
    hold: HoldData
    fuel: FuelData
    transfer: TransferData
    timeline: TimelineData
    limit: LimitData
    configuration: ConfigurationData
    script: PathData
    places: PlacesData
    urge: UrgeData
    calls: CallData
    crowd: CrowdData
    service: ServiceData
    sheet: SheetData
    trim: TrimData
    moments_alone: bool
    """Of the margins by phase and side only those in moment are wanted; no errors, no trim."""
