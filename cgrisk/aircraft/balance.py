"""Chord, index formula, and the algebra of centre-of-gravity shifts. Arms grow aft of the datum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.errors import UsageError
from cgrisk.scenario import AircraftFile

__all__ = [
    "Balance",
    "PayloadLimit",
    "balance_of",
    "centre_of_gravity",
    "cg_after_adding",
    "cg_after_moving",
    "dry_operating",
    "payload_limit",
]

#: A number or an array. Where arguments are given together, an array among numbers gives an array,
#: which type checkers cannot follow inside the function: hence the ignored return values.
Value = TypeVar("Value", float, NDArray[np.float64])


@dataclass(frozen=True, slots=True)
class Balance:
    """Mean aerodynamic chord (MAC) and index formula of an aircraft.

    Every method takes numbers or float64 arrays, which broadcast, and returns the same kind.

    Attributes
    ----------
    lemac_m : float
        Arm of the leading edge of the chord.
    mac_m : float
        Length of the chord, above 0.
    index_arm_m, index_scale_kgm, index_constant : float
        index = mass x (arm - index_arm_m) / index_scale_kgm + index_constant.
    """

    lemac_m: float
    mac_m: float
    index_arm_m: float
    index_scale_kgm: float
    index_constant: float

    def arm_to_pct(self, arm_m: Value) -> Value:
        """Return an arm (m) as % MAC."""
        return 100.0 * (arm_m - self.lemac_m) / self.mac_m

    def pct_to_arm(self, pct: Value) -> Value:
        """Return a place on the chord (% MAC) as an arm (m)."""
        return self.lemac_m + pct * self.mac_m / 100.0

    def cg_pct_mac(self, mass_kg: Value | float, moment_kgm: Value | float) -> Value:
        """Return the CG (% MAC) of a mass (kg, not 0) and its moment about the datum (kg m)."""
        return 100.0 * (moment_kgm / mass_kg - self.lemac_m) / self.mac_m  # type: ignore[return-value]

    def index(self, mass_kg: Value | float, *, arm_m: Value | float) -> Value:
        """Return the index of a mass (kg) at an arm (m), constant included."""
        moment_kgm = mass_kg * (arm_m - self.index_arm_m)
        return moment_kgm / self.index_scale_kgm + self.index_constant  # type: ignore[return-value]

    def moment_from_index(self, index: Value | float, *, mass_kg: Value | float) -> Value:
        """Return the moment about the datum (kg m) of an index, constant included, and its mass."""
        about_index_arm_kgm = (index - self.index_constant) * self.index_scale_kgm
        return about_index_arm_kgm + mass_kg * self.index_arm_m  # type: ignore[return-value]


def balance_of(aircraft: AircraftFile) -> Balance:
    """Return the chord and index formula of an aircraft file."""
    reference = aircraft.reference
    return Balance(
        lemac_m=reference.lemac,
        mac_m=reference.mac,
        index_arm_m=reference.index_arm,
        index_scale_kgm=reference.index_scale,
        index_constant=reference.index_constant,
    )


def dry_operating(aircraft: AircraftFile) -> tuple[float, float]:
    """Return the dry operating mass (kg) and its arm (m), in whichever form the CG is given.

    Raises
    ------
    UsageError
        If the CG is not given in exactly one of the three forms (% MAC, arm, index), or the CG is
        given as an index while the mass is 0.
    """
    masses, balance = aircraft.masses, balance_of(aircraft)
    pct, arm, index = (
        masses.dry_operating_cg,
        masses.dry_operating_arm,
        masses.dry_operating_index,
    )
    given = sum(form is not None for form in (pct, arm, index))
    if given == 1 and arm is not None:
        return masses.dry_operating, arm
    if given == 1 and pct is not None:
        return masses.dry_operating, balance.pct_to_arm(pct)
    if given == 1 and index is not None and masses.dry_operating > 0.0:
        moment_kgm = balance.moment_from_index(index, mass_kg=masses.dry_operating)
        return masses.dry_operating, moment_kgm / masses.dry_operating
    raise UsageError(
        argument="aircraft.masses",
        expected="exactly one of dry_operating_cg, dry_operating_arm and dry_operating_index, "
        "and a dry operating mass above 0",
        got=f"{given} of them and {masses.dry_operating:g} kg",
        cure="Give the CG of the dry operating mass once.",
    )


def centre_of_gravity(mass_kg: ArrayLike, *, arm_m: ArrayLike) -> tuple[float, float]:
    """Return the total mass (kg) and the arm of its CG (m) of a list of loads.

    Parameters
    ----------
    mass_kg : array_like, shape (n,)
        Masses; a load that is taken off is negative.
    arm_m : array_like, shape (n,)
        Their arms.

    Raises
    ------
    UsageError
        If the two lists differ in length, or the masses add up to 0.
    """
    mass, arm = np.asarray(mass_kg, dtype=np.float64), np.asarray(arm_m, dtype=np.float64)
    if mass.shape != arm.shape:
        raise UsageError(
            argument="arm_m",
            expected=f"one arm for each of the {mass.size} masses",
            got=arm.size,
            cure="Give both lists the same length.",
        )
    total = float(np.sum(mass))
    if total == 0.0:
        raise UsageError(
            argument="mass_kg",
            expected="masses that do not add up to 0",
            got=total,
            cure="No mass has no centre of gravity: leave it out.",
        )
    return total, float(np.sum(mass * arm)) / total


def cg_after_adding(
    cg_arm_m: Value | float,
    *,
    mass_kg: Value | float,
    added_kg: Value | float,
    at_m: Value | float,
) -> Value:
    """Return the arm of the CG (m) after a mass has been added: + dm (x - x_cg) / (m + dm).

    Parameters
    ----------
    cg_arm_m, mass_kg : float or float64 array
        Arm of the CG and mass before.
    added_kg : float or float64 array
        Mass added; negative when it is taken off. What is left must not be 0.
    at_m : float or float64 array
        Arm where it is added.
    """
    return cg_arm_m + added_kg * (at_m - cg_arm_m) / (mass_kg + added_kg)  # type: ignore[return-value]


def cg_after_moving(
    cg_arm_m: Value | float,
    *,
    mass_kg: Value | float,
    moved_kg: Value | float,
    from_m: Value | float,
    to_m: Value | float,
) -> Value:
    """Return the arm of the CG (m) after a part has moved: + m_moved (x_to - x_from) / M.

    Parameters
    ----------
    cg_arm_m, mass_kg : float or float64 array
        Arm of the CG before, and the whole mass M (not 0), the moving part included.
    moved_kg : float or float64 array
        Mass that moves.
    from_m, to_m : float or float64 array
        Arms it moves between.
    """
    return cg_arm_m + moved_kg * (to_m - from_m) / mass_kg  # type: ignore[return-value]


class PayloadLimit(NamedTuple):
    """The payload that fits under the certified maxima, and the maximum that decides it."""

    payload_kg: float
    """Payload; below 0 when the fuel alone is too much."""
    limited_by: str
    """``zero_fuel``, ``take_off`` or ``landing``."""


def payload_limit(
    dry_operating_kg: float,
    *,
    max_zero_fuel_kg: float,
    max_take_off_kg: float,
    max_landing_kg: float,
    take_off_fuel_kg: float,
    trip_fuel_kg: float,
) -> PayloadLimit:
    """Return the largest payload under the zero-fuel, take-off and landing maxima.

    Parameters
    ----------
    dry_operating_kg : float
        Dry operating mass.
    max_zero_fuel_kg, max_take_off_kg, max_landing_kg : float
        Certified maxima.
    take_off_fuel_kg, trip_fuel_kg : float
        Fuel at take-off, and how much of it is burnt until landing.
    """
    room = {
        "zero_fuel": max_zero_fuel_kg - dry_operating_kg,
        "take_off": max_take_off_kg - take_off_fuel_kg - dry_operating_kg,
        "landing": max_landing_kg + trip_fuel_kg - take_off_fuel_kg - dry_operating_kg,
    }
    limited_by = min(room, key=room.__getitem__)
    return PayloadLimit(payload_kg=room[limited_by], limited_by=limited_by)
