"""US Standard Atmosphere 1976 against published constants and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from fluids.atmosphere import ATMOSPHERE_1976

from cgrisk.aircraft.atmosphere import RHO0, mach_number, standard_air

#: The standard's Earth radius, m: it ties geometric to geopotential altitude.
RADIUS_M = 6_356_766.0
ALTITUDES_M = [
    *range(-500, 20_000, 500), 10_999.999, 11_000.0, 11_000.001, 19_999.0, 20_000.0
]  # fmt: skip


def reference(altitude_m: float) -> ATMOSPHERE_1976:
    """The library takes geometric altitude and turns it into geopotential altitude itself."""
    air = ATMOSPHERE_1976(RADIUS_M * altitude_m / (RADIUS_M - altitude_m))
    assert pytest.approx(altitude_m, abs=1e-6) == air.H
    return air


@pytest.mark.parametrize("altitude_m", ALTITUDES_M)
def test_agrees_with_a_reference_library(altitude_m: float) -> None:
    air, expected = standard_air(altitude_m), reference(altitude_m)
    assert air.temperature_k == pytest.approx(expected.T, rel=1e-6)
    # the library starts each layer from a pressure rounded to some seven digits
    assert air.pressure_pa == pytest.approx(expected.P, rel=2e-6)
    assert air.density_kgpm3 == pytest.approx(expected.rho, rel=2e-6)
    assert air.sound_mps == pytest.approx(expected.v_sonic, rel=2e-6)


def test_altitude_is_geopotential() -> None:
    """Geometric altitude taken for geopotential would be off by far more than the agreement."""
    geometric = ATMOSPHERE_1976(11_000.0)
    assert abs(standard_air(11_000.0).pressure_pa / geometric.P - 1.0) > 1e-3


def test_air_is_ideal_and_in_balance() -> None:
    altitude = np.linspace(-2_000.0, 20_000.0, 2_201)
    air = standard_air(altitude)
    gas_constant = 8314.32 / 28.9644
    np.testing.assert_allclose(
        air.density_kgpm3, air.pressure_pa / (gas_constant * air.temperature_k), rtol=1e-6
    )
    np.testing.assert_allclose(air.sound_mps**2, 1.4 * gas_constant * air.temperature_k, rtol=1e-6)
    # dp = -rho g dH, by midpoints of 10 m
    middle = standard_air((altitude[1:] + altitude[:-1]) / 2.0)
    np.testing.assert_allclose(
        np.diff(air.pressure_pa) / np.diff(altitude), -middle.density_kgpm3 * 9.80665, rtol=1e-6
    )
    assert np.all(np.diff(air.pressure_pa) < 0.0)


def test_tropopause_is_continuous() -> None:
    below, above = standard_air(11_000.0 - 1e-6), standard_air(11_000.0 + 1e-6)
    np.testing.assert_allclose(below, above, rtol=1e-9)


@pytest.mark.parametrize("altitude_m", [-500.0, 0.0, 3_000.0, 11_000.0, 12_500.0, 18_000.0])
@pytest.mark.parametrize("eas_mps", [60.0, 130.0, 180.0])
def test_mach_number_from_equivalent_airspeed(eas_mps: float, altitude_m: float) -> None:
    air = reference(altitude_m)
    true = eas_mps * np.sqrt(1.225 / air.rho)
    assert mach_number(eas_mps, altitude_m=altitude_m) == pytest.approx(
        true / air.v_sonic, rel=3e-6
    )


def test_dynamic_pressure_by_mach_number_is_the_same() -> None:
    """q = 0.7 p M^2 for a gas of ratio 1.4, and q = rho0 EAS^2 / 2 by definition."""
    altitude, eas = np.meshgrid(np.linspace(0.0, 13_000.0, 14), [70.0, 120.0, 170.0])
    mach = mach_number(eas, altitude_m=altitude)
    pressure = standard_air(altitude).pressure_pa
    np.testing.assert_allclose(0.7 * pressure * mach**2, 0.5 * RHO0 * eas**2, rtol=2e-6)
    assert RHO0 == 1.225
