"""The standard atmosphere, up to 20 km.

Source: U.S. Standard Atmosphere 1976 (NOAA/NASA/USAF), constants of its table 2 and equations 23,
33a, 33b, 42 and 50.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["RHO0", "Air", "mach_number", "standard_air"]

Floats = NDArray[np.float64]

#: Density at sea level (kg/m3).
RHO0: Final = 1.225
_T0, _P0 = 288.15, 101325.0
_LAPSE, _TROPOPAUSE_M = -0.0065, 11000.0
_GAS = 8314.32 / 28.9644  # J/(kg K)
_G0, _GAMMA = 9.80665, 1.4


class Air(NamedTuple):
    """State of the air.

    Attributes
    ----------
    temperature_k, pressure_pa, density_kgpm3, sound_mps : float64 array
        Temperature, pressure, density, speed of sound.
    """

    temperature_k: Floats
    pressure_pa: Floats
    density_kgpm3: Floats
    sound_mps: Floats


def standard_air(altitude_m: ArrayLike) -> Air:
    """Return the standard atmosphere at geopotential altitudes from -2 km to 20 km.

    Parameters
    ----------
    altitude_m : array_like of float
        Geopotential (pressure) altitude.
    """
    height = np.asarray(altitude_m, dtype=np.float64)
    low = np.minimum(height, _TROPOPAUSE_M)
    temperature = _T0 + _LAPSE * low
    pressure = _P0 * (temperature / _T0) ** (-_G0 / (_GAS * _LAPSE))
    above = np.maximum(height - _TROPOPAUSE_M, 0.0)
    pressure = pressure * np.exp(-_G0 * above / (_GAS * temperature))
    density = pressure / (_GAS * temperature)
    return Air(temperature, pressure, density, np.sqrt(_GAMMA * _GAS * temperature))


def mach_number(eas_mps: ArrayLike, *, altitude_m: ArrayLike) -> Floats:
    """Return the Mach number at an equivalent airspeed and pressure altitude.

    Parameters
    ----------
    eas_mps : array_like of float
        Equivalent airspeed (m/s).
    altitude_m : array_like of float
        Pressure altitude (m).
    """
    air = standard_air(altitude_m)
    true = np.asarray(eas_mps, dtype=np.float64) * np.sqrt(RHO0 / air.density_kgpm3)
    return np.asarray(true / air.sound_mps)
