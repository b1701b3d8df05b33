"""Rows of the US Standard Atmosphere 1976, by geopotential altitude.

Each says how it was obtained: ``memory`` recalled and not seen; the others computed from the
constants that the standard publishes.
"""

from __future__ import annotations

import pytest

from cgrisk.aircraft.atmosphere import standard_air
from cgrisk.units import FT_TO_M


@pytest.mark.parametrize(
    ("altitude_m", "temperature", "pressure", "density", "sound"),
    [
        pytest.param(
            0.0, 288.15, 101_325.0, 1.225, 340.294,
            id="sea level, US Standard Atmosphere 1976 (memory)",
        ),
        pytest.param(
            11_000.0, 216.65, 22_632.1, 0.363918, 295.070,
            id="11,000 m, computed from published constants",
        ),
        pytest.param(
            35_000.0 * FT_TO_M, 218.808, 23_842.3, None, None,
            id="35,000 ft, computed from published constants",
        ),
    ],
)  # fmt: skip
def test_rows_of_the_standard(
    altitude_m: float,
    temperature: float,
    pressure: float,
    density: float | None,
    sound: float | None,
) -> None:
    air = standard_air(altitude_m)
    assert air.temperature_k == pytest.approx(temperature, abs=5.1e-4)
    assert air.pressure_pa == pytest.approx(pressure, abs=0.051)
    if density is not None:
        # the gas law gives 1.2249992 at sea level
        assert air.density_kgpm3 == pytest.approx(density, abs=1e-6)
    if sound is not None:
        assert air.sound_mps == pytest.approx(sound, abs=5.1e-4)
