"""Names of the figures kept for each flight, in the order the kernel writes them."""

from __future__ import annotations

from collections.abc import Iterable

from cgrisk.flight.contract import CABIN_FIGURES, CONTRIBUTIONS, HEADER, PER_AIR, PER_SIDE

__all__ = [
    "SIDES",
    "TRIM_FIGURES",
    "column_names",
    "phase_column",
    "rest_on_moments",
    "trim_columns",
]

#: Sides of the envelope, in the kernel's order.
SIDES = ("forward", "aft")
#: Figures by phase and side: least margin to the limit (positive inside), when and at what mass it
#: was reached, least moment margin, and time outside.
SIDE_FIGURES = (
    "margin_pct_mac",
    "time_of_least_s",
    "mass_at_least_kg",
    "moment_margin_kgm",
    "outside_s",
)
#: Figures by phase in the air.
TRIM_FIGURES = ("trim_nose_up_deg", "trim_nose_down_deg", "trim_lag_deg", "cg_aft_pct_mac")
_CG_ERRORS = (
    "error_min_pct_mac.take_off_and_landing",
    "error_max_pct_mac.take_off_and_landing",
    "error_min_pct_mac.in_flight",
    "error_max_pct_mac.in_flight",
)
_FIXED = (
    "aircraft",
    "passengers",
    "zero_fuel_mass_kg",
    "zero_fuel_cg_pct_mac",
    "take_off_mass_kg",
    "take_off_cg_pct_mac",
    "landing_mass_kg",
    "landing_cg_pct_mac",
    *(f"take_off_error_kgm.{name}" for name in CONTRIBUTIONS),
    "mass_margin_kg.taxi",
    "mass_margin_kg.take_off",
    "mass_margin_kg.landing",
    "mass_margin_kg.zero_fuel",
    *_CG_ERRORS,
    *CABIN_FIGURES,
)


def phase_column(figure: str, *, phase: str, side: str) -> str:
    """Return the column that holds a figure of a phase and side.

    Parameters
    ----------
    figure : str
        One of ``margin_pct_mac``, ``time_of_least_s``, ``mass_at_least_kg``,
        ``moment_margin_kgm``, ``outside_s``.
    phase, side : str
        Name of the phase; ``forward`` or ``aft``.
    """
    return f"{figure}.{phase}.{side}"


def column_names(phases: tuple[str, ...]) -> tuple[str, ...]:
    """Return the names of all columns for phases in their order."""
    by_phase = tuple(
        phase_column(figure, phase=phase, side=side)
        for phase in phases
        for side in SIDES
        for figure in SIDE_FIGURES
    )
    assert len(_FIXED) == HEADER
    assert len(SIDE_FIGURES) == PER_SIDE
    return _FIXED + by_phase


def trim_columns(phases: tuple[str, ...]) -> tuple[str, ...]:
    """Return the names of the figures of the phases in the air whose trim is followed.

    The setting that trims at its most nose-up and most nose-down, how far the stabilizer lags
    behind it, and the most aft CG.
    """
    assert len(TRIM_FIGURES) == PER_AIR
    return tuple(f"{figure}.{phase}" for phase in phases for figure in TRIM_FIGURES)


def rest_on_moments(names: Iterable[str]) -> bool:
    """Return whether columns can be had without CG margins, CG errors, trim and take-off figures.

    They are those before the figures by phase, but for the CG errors, and the margins in moment.
    """
    return all(
        name.startswith("moment_margin_kgm.") if name not in _FIXED else name not in _CG_ERRORS
        for name in names
    )
