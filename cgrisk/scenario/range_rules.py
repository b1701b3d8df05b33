"""How far a value without a source may plausibly be off: rules and tables, assumptions themselves.

Nothing published says between which ends these values lie. The rules below are judgement; a user
who knows better states his own range in the table ``ranges`` of his files.

- A rate, a time, a standard deviation, a mass, a factor: from half to twice its value. Where that
  is not plausible :data:`FACTORS` has a smaller factor.
- A share or a chance: from half to twice its odds, so that 0 and 1 stay.
- :data:`AROUND_ZERO`: a value of either sign that is 0 since nobody knows which way it is off.
- :data:`UP_FROM_ZERO`: a value whose 0 turns something off that may happen all the same.
- Any other value of 0 runs up to its default, or stays where that is 0 or 0 is what is meant
  (:data:`MEANT`).
- The density of the fuel lies in the range of its specification.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.shapes import Shape
from cgrisk.scenario.stated_ranges import is_share

__all__ = [
    "LOG",
    "NORMAL",
    "NOT_IN_DOUBT",
    "ODDS",
    "UNIFORM",
    "Ends",
    "default_ends",
]

LOG: Final = "uniform on the logarithm"
ODDS: Final = "uniform on the logarithm of the odds"
UNIFORM: Final = "uniform"
NORMAL: Final = "normal (2 sd)"

#: Numbers that have no range: what says which flight is looked at, not how the world is.
NOT_IN_DOUBT: Final = (
    "aircraft.reference_density",
    "operation.fleet",
    "operation.load_sheet",
    "operation.entry_errors.people",
)

_FACTOR: Final = 2.0
#: Key, or what it starts with: factor below and above.
FACTORS: Final[dict[str, float]] = {
    "aircraft.aerodynamics": 1.15,
    "aircraft.flaps.downwash_factor": 1.15,
    "aircraft.flaps.greatest_lift": 1.1,
    "aircraft.stabilizer.elevator_up": 1.2,
    "aircraft.stabilizer.elevator_down": 1.2,
    "aircraft.ground_run": 1.15,
    "aircraft.ground_run.thrust_fall": 1.5,
    "aircraft.ground_run.friction": 1.5,
    "aircraft.ground_run.ground_lift": 1.05,
    "aircraft.ground_run.rotation_speed": 1.03,
    "aircraft.ground_run.take_off_speed": 1.03,
    "aircraft.ground_run.rotation_needed": 1.5,
    "operation.mass.body.men.mean": 1.1,
    "operation.mass.body.women.mean": 1.1,
    "operation.mass.body.children.mean": 1.1,
    "operation.mass.body": 1.25,
    "operation.mass.bag.mean": 1.25,
    "operation.cargo.bag_mean": 1.15,
    "operation.behaviour.lavatory_mean": 1.5,
    "operation.behaviour.queue_spacing": 1.5,
    "operation.behaviour.walking_speed": 1.25,
    "operation.service.crew_mass": 1.1,
    "operation.service.carts.mass_full": 1.5,
    "operation.service.carts.tray": 1.6,
}
#: Key: largest value, and why it is taken to happen although nobody stated it.
UP_FROM_ZERO: Final[dict[str, tuple[float, str]]] = {
    "operation.crowd.surge_probability": (1e-3, "a surge on up to one flight in a thousand"),
    "operation.behaviour.lavatory_closed": (0.02, "a closed lavatory on up to 2 % of flights"),
    "operation.seating.movers_share": (0.05, "up to one in twenty changes his seat"),
    "operation.service.reseating_share": (0.1, "movers sent back on up to a tenth of flights"),
    "operation.passengers.last_minute_off": (0.3, "up to 0.3 a zone miss the flight"),
    "operation.passengers.last_minute_on": (0.3, "up to 0.3 a zone come late"),
    "operation.cargo.misplaced_bags": (1.0, "up to one bag a flight in the wrong hold"),
    "aircraft.dry_uncertainty.cg_sd_aircraft": (0.25, "as for cg_bias"),
    "aircraft.dry_uncertainty.cg_sd_flight": (0.25, "as for cg_bias"),
    "aircraft.fuel_uncertainty.gauging_of_reading": (0.01, "gauges are not exact"),
    "aircraft.fuel_uncertainty.gauging_of_capacity": (0.005, "gauges are not exact"),
}
#: Key: how far to either side, and why.
AROUND_ZERO: Final[dict[str, tuple[float, str]]] = {
    "operation.seating.forward_preference": (0.7, "front or rear row up to twice as liked"),
    "aircraft.dry_uncertainty.cg_bias": (
        0.25,
        "half of the 0.5 % MAC at which AMC1 CAT.POL.MAB.100(b) has the papers revised",
    ),
    "aircraft.ground_run.pitch_attitude": (1.0, "struts and tyres: up to a degree"),
}
#: The same as a share of the maximum landing mass.
_OF_LANDING_MASS: Final[dict[str, bool]] = {
    "aircraft.dry_uncertainty.mass_bias": True,
    "aircraft.dry_uncertainty.mass_sd_aircraft": False,
    "aircraft.dry_uncertainty.mass_sd_flight": False,
}
_MASS_SHARE: Final = 0.0025
_MASS_WHY: Final = (
    "half of the 0.5 % of maximum landing mass at which AMC1 CAT.POL.MAB.100(b) has the papers "
    "revised"
)
#: A 0 here says what is done, not how well it is known.
MEANT: Final = (
    "operation.service.carts.tray",
    "operation.service.carts.returned",
    "operation.phases.getting_up",
    "operation.behaviour.lavatory_share",
    "operation.entry_errors.probability",
)
_DENSITIES: Final = (775.0, 840.0)


class Ends(NamedTuple):
    """Between which ends a value lies, by what law, and why."""

    low: float
    high: float
    law: str
    why: str


def _longest(plain: str, table: dict[str, float]) -> float:
    """Return what a table has for a key or for the nearest key above it; else 2."""
    above = [key for key in table if plain == key or plain.startswith(f"{key}.")]
    return table[max(above, key=len)] if above else _FACTOR


def _at_zero(plain: str, default: object, scenario: Scenario) -> Ends | None:
    if plain in _OF_LANDING_MASS:
        off = _MASS_SHARE * scenario.aircraft.masses.max_landing
        return Ends(-off if _OF_LANDING_MASS[plain] else 0.0, off, UNIFORM, _MASS_WHY)
    if plain in AROUND_ZERO:
        off, why = AROUND_ZERO[plain]
        return Ends(-off, off, UNIFORM, why)
    if plain in UP_FROM_ZERO:
        high, why = UP_FROM_ZERO[plain]
        return Ends(0.0, high, UNIFORM, why)
    usual = isinstance(default, int | float) and not isinstance(default, bool) and default > 0.0
    if plain in MEANT or not usual:
        return None
    assert isinstance(default, int | float)
    return Ends(0.0, float(default), UNIFORM, "from none up to the default")


def default_ends(
    plain: str, value: float, *, shape: Shape, default: object, scenario: Scenario
) -> Ends | None:
    """Return between which ends a value without a source is taken to lie.

    Parameters
    ----------
    plain : str
        Dotted key without list positions.
    value : float
        Value in use, in SI.
    shape : Shape
        What the key accepts.
    default : object
        Default of the key.
    scenario : Scenario
        For what is stated as a share of the aircraft's masses.

    Returns
    -------
    Ends or None
        None where the value stays as it is.
    """
    if plain == "operation.mass.body.bias":
        sd = scenario.operation.mass.body.bias_sd_operation
        why = "two of bias_sd_operation to either side: no survey is of this route and season"
        return Ends(value - 2.0 * sd, value + 2.0 * sd, NORMAL, why) if sd > 0.0 else None
    if value == 0.0:
        return _at_zero(plain, default, scenario)
    if plain == "operation.fuel.density_mean":
        low, high = min(_DENSITIES[0], value), max(_DENSITIES[1], value)
        return Ends(low, high, UNIFORM, "range of ASTM D1655 at 15 C")
    if is_share(plain, shape) and plain not in FACTORS:
        if value == 1.0:
            return None
        odds = value / (1.0 - value)
        low, high = (k * odds / (1.0 + k * odds) for k in (1.0 / _FACTOR, _FACTOR))
        return Ends(low, high, ODDS, "odds halved and doubled")
    factor = _longest(plain, FACTORS)
    ends = sorted((value / factor, value * factor))
    why = "half to twice" if factor == _FACTOR else f"a factor of {factor:g} either way"
    return Ends(ends[0], ends[1], LOG, why)
