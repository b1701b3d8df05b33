"""Trim settings in the crew's units, their stops and rates, and the operator's trim tables."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import RegularGridInterpolator

from cgrisk.scenario import AircraftFile
from cgrisk.scenario.aerodynamics_file import TrimTable
from cgrisk.units import round_to

__all__ = ["UNKNOWN_STABILIZER", "TrimSettings", "table_setting", "trim_settings_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrimSettings:
    """Stabilizer and elevator; angles with the leading (trailing) edge up (down) positive.

    Attributes
    ----------
    nose_up_stop_rad, nose_down_stop_rad : float
        Mechanical stops of the stabilizer.
    rate_flaps_up_radps, rate_flaps_down_radps : float
        Its rates.
    elevator_up_rad, elevator_down_rad : float
        Elevator travel each way, both positive.
    elevator_share : float
        Share of that travel that may be used up by holding what trim does not.
    unit_rad, zero_rad : float
        Travel of one trim unit, and incidence at 0 units; more units are more nose-up.
    step : float
        Step of the load sheet's setting (trim units); 0 for none.
    band : tuple of float, or None
        Take-off trim band (trim units).
    """

    nose_up_stop_rad: float
    nose_down_stop_rad: float
    rate_flaps_up_radps: float
    rate_flaps_down_radps: float
    elevator_up_rad: float
    elevator_down_rad: float
    elevator_share: float
    unit_rad: float
    zero_rad: float
    step: float
    band: tuple[float, float] | None

    def to_units(self, angle_rad: ArrayLike) -> Floats:
        """Return an incidence (rad) in trim units."""
        return np.asarray((self.zero_rad - np.asarray(angle_rad)) / self.unit_rad)

    def to_rad(self, units: ArrayLike) -> Floats:
        """Return trim units as an incidence (rad)."""
        return np.asarray(self.zero_rad - np.asarray(units) * self.unit_rad)

    def rounded(self, units: float) -> float:
        """Return a setting rounded to the load sheet's step, halves away from zero."""
        # As the lines of the load sheet: 0.15 / 0.1 comes out below one and a half.
        return units if self.step == 0.0 else round(round_to(units, self.step), 9)


#: Stands for a stabilizer of which nothing but the operator's trim tables is known.
UNKNOWN_STABILIZER = TrimSettings(
    nose_up_stop_rad=-math.inf,
    nose_down_stop_rad=math.inf,
    rate_flaps_up_radps=math.inf,
    rate_flaps_down_radps=math.inf,
    elevator_up_rad=math.nan,
    elevator_down_rad=math.nan,
    elevator_share=math.nan,
    unit_rad=math.nan,
    zero_rad=math.nan,
    step=0.1,
    band=None,
)


def trim_settings_of(aircraft: AircraftFile) -> TrimSettings | None:
    """Return the stabilizer of an aircraft file; None if it holds none."""
    data = aircraft.stabilizer
    if data is None:
        return None
    return TrimSettings(
        nose_up_stop_rad=math.radians(data.nose_up_stop),
        nose_down_stop_rad=math.radians(data.nose_down_stop),
        rate_flaps_up_radps=math.radians(data.rate_flaps_up),
        rate_flaps_down_radps=math.radians(data.rate_flaps_down),
        elevator_up_rad=math.radians(data.elevator_up),
        elevator_down_rad=math.radians(data.elevator_down),
        elevator_share=data.elevator_share,
        unit_rad=math.radians(data.unit_degrees),
        zero_rad=math.radians(data.unit_zero),
        step=data.step,
        band=data.take_off_band,
    )


def table_setting(table: TrimTable, *, mass_kg: ArrayLike, cg_pct_mac: ArrayLike) -> Floats:
    """Return the setting of a trim table (trim units), straight between its points and beyond.

    Parameters
    ----------
    table : TrimTable
        Settings on a whole grid of masses and CGs.
    mass_kg, cg_pct_mac : array_like
        Where to read it.
    """
    masses = np.unique([mass for mass, _, _ in table.points])
    places = np.unique([cg for _, cg, _ in table.points])
    value = {(mass, cg): units for mass, cg, units in table.points}
    grid = np.array([[value[mass, cg] for cg in places] for mass in masses])
    mass, cg = np.broadcast_arrays(
        np.asarray(mass_kg, dtype=np.float64), np.asarray(cg_pct_mac, dtype=np.float64)
    )
    if masses.size == 1:
        return np.asarray(_line(places, grid[0], cg))
    if places.size == 1:
        return np.asarray(_line(masses, grid[:, 0], mass))
    read = RegularGridInterpolator((masses, places), grid, bounds_error=False, fill_value=None)
    return np.asarray(read(np.stack([mass, cg], axis=-1)).reshape(mass.shape))


def _line(x: Floats, y: Floats, at: Floats) -> Floats:
    """Return y at x, straight between points and beyond them."""
    if x.size == 1:
        return np.full(at.shape, y[0])
    place = np.clip(np.searchsorted(x, at) - 1, 0, x.size - 2)
    slope = (y[place + 1] - y[place]) / (x[place + 1] - x[place])
    return np.asarray(y[place] + slope * (at - x[place]))
