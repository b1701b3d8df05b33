"""What is kept of many flights once their rows are gone: which outcomes, extremes, bins, means."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from cgrisk.aircraft.stabilizer import trim_settings_of
from cgrisk.flight import (
    CABIN_FIGURES,
    CONTRIBUTIONS,
    GROUPS,
    SIDES,
    TRIM_FIGURES,
    FlightModel,
    group_phases,
    operational_shift,
    phase_column,
    take_off_columns,
    zero_fuel_scale,
)

__all__ = [
    "AS_PLANNED",
    "AT_LIMIT",
    "MAXIMA",
    "ON_LIMIT_KGM",
    "ON_MAXIMUM_KG",
    "PCT_STEP",
    "Layout",
    "Limit",
    "layout_of",
    "outcome_name",
]

AS_PLANNED: Final = "as planned"
AT_LIMIT: Final = "at the operational limit"
#: Arithmetic noise of a margin: a CG on the limit is inside (kg m on moments of millions).
ON_LIMIT_KGM: Final = 1e-6
#: Arithmetic noise of a mass margin: a mass on its maximum is within it.
ON_MAXIMUM_KG: Final = 1e-6
#: Certified maximum masses.
MAXIMA: Final = ("taxi", "take_off", "landing", "zero_fuel")
#: Width of the bins of all figures in % MAC.
PCT_STEP: Final = 0.01
#: Width of the bins of the figures of trim and take-off.
TRIM_STEP: Final = 0.01
#: Flights nearest to each limit that are remembered.
NEAREST: Final = 16

#: Figures of the cabin that are counted in bins, with the bins' width: all but times up by seat.
_CABIN_STEPS: Final = {
    name: 10.0
    if name.endswith("_kgm")
    else 0.01
    if name == "mean_up"
    else 0.1
    if name.endswith("_kg")
    else 1.0
    for name in CABIN_FIGURES
    if "_up." not in name
}


def outcome_name(side: str, place: str, reading: str) -> str:
    """Return the name of an outcome: a flight left the envelope on a side, in a phase or group."""
    return f"{side}.{place}.{reading}"


@dataclass(frozen=True, slots=True)
class Limit:
    """An outcome that is a figure below or above a limit, in any of some columns.

    Attributes
    ----------
    outcome : str
        Its name.
    columns : tuple of str
        Figures of a flight.
    low, high : float
        The outcome is a figure below ``low`` or above ``high``.
    """

    outcome: str
    columns: tuple[str, ...]
    low: float = -math.inf
    high: float = math.inf


def _trim_limits(model: FlightModel) -> list[Limit]:
    """Return the outcomes of trim in flight: stops and elevator, by phase and in any."""
    settings, aero = trim_settings_of(model.scenario.aircraft), model.scenario.aircraft.aerodynamics
    phases = model.planned_trim["phase"].tolist()
    if settings is None or aero is None or not phases:
        return []
    held = min(settings.elevator_up_rad, settings.elevator_down_rad) * settings.elevator_share
    up, down = math.degrees(settings.nose_up_stop_rad), math.degrees(settings.nose_down_stop_rad)
    found = []
    for place, names in (*((phase, (phase,)) for phase in phases), ("any", tuple(phases))):
        columns = {figure: tuple(f"{figure}.{n}" for n in names) for figure in TRIM_FIGURES}
        found += [
            Limit(f"trim.{place}.nose_up_stop", columns["trim_nose_up_deg"], low=up),
            Limit(f"trim.{place}.nose_down_stop", columns["trim_nose_down_deg"], high=down),
            Limit(
                f"trim.{place}.rate",
                columns["trim_lag_deg"],
                high=math.degrees(held) * aero.elevator_effect,
            ),
        ]
    return found


def _take_off_limits(model: FlightModel) -> list[Limit]:
    """Return the outcomes of the take-off."""
    plan = model.take_off
    if plan is None:
        return []
    found = []
    if plan.run is not None:
        needed = math.degrees(plan.run.needed_radps2)
        found += [
            Limit("take_off.uncommanded_rotation", ("nose_wheel_kn.below_vr",), low=0.0),
            Limit("take_off.no_rotation", ("rotation_degps2",), low=needed),
            Limit("take_off.nose_lifts_at_release", ("nose_wheel_kn.brake_release",), low=0.0),
        ]
    if plan.settings.band is not None:
        low, high = plan.settings.band
        columns = ("take_off_setting_needed_units",)
        found.append(Limit("take_off.needed_outside_band", columns, low=low, high=high))
    return found


def _trim_steps(model: FlightModel) -> dict[str, float]:
    """Return the figures of trim that are counted in bins, with the bins' width."""
    names = [
        f"{figure}.{phase}" for phase in model.planned_trim["phase"] for figure in TRIM_FIGURES
    ]
    return dict.fromkeys((*names, *take_off_columns(model.take_off)), TRIM_STEP)


@dataclass(frozen=True, slots=True)
class Layout:
    """Names and orders of what a tally keeps; the same for all tallies of one scenario.

    Attributes
    ----------
    columns : tuple of str
        Figures of a flight's row.
    outcomes : tuple of str
        What a flight did or did not do: left the envelope (by side, phase or group, reading), was
        above a maximum mass.
    phases : tuple of str
        Names of the phases.
    places : dict of str to tuple of int
        Phases and groups flown, with the numbers of their phases.
    groups : tuple of str
        Groups of phases that are flown.
    shift_kgm : tuple of float
        Moments from the planned load to the operational limit, by side.
    scale_kgm : float
        Moment that shifts the planned zero-fuel CG by one % MAC.
    planned_pct : dict of (str, str) to float
        Least planned margin by side and group (% MAC).
    extremes : tuple of str
        Columns whose least and greatest values are kept, with their flights.
    means : tuple of str
        Figures whose means and covariances are kept.
    steps : dict of str to float
        Figures counted in bins, with the bins' width.
    fleet : int
        Number of individual aircraft.
    limits : tuple of Limit
        Outcomes that are figures beyond a limit; the last of ``outcomes``.
    """

    columns: tuple[str, ...]
    outcomes: tuple[str, ...]
    phases: tuple[str, ...]
    places: dict[str, tuple[int, ...]]
    groups: tuple[str, ...]
    shift_kgm: tuple[float, ...]
    scale_kgm: float
    planned_pct: dict[tuple[str, str], float]
    extremes: tuple[str, ...]
    means: tuple[str, ...]
    steps: dict[str, float]
    fleet: int
    limits: tuple[Limit, ...]

    def mean_place(self, name: str) -> int:
        """Return the number of a figure among those whose means are kept."""
        return self.means.index(name)


def _errors(groups: tuple[str, ...]) -> tuple[str, ...]:
    flown = [group for group in groups if group != "any"]
    return tuple(f"error_{end}_pct_mac.{group}" for group in flown for end in ("min", "max"))


def _planned(model: FlightModel, groups: tuple[str, ...]) -> dict[tuple[str, str], float]:
    planned, phases = model.planned_margins, group_phases(model)
    found = {}
    for side in SIDES:
        for group in groups:
            rows = planned[(planned["side"] == side) & planned["phase"].isin(phases[group])]
            found[side, group] = float(rows["margin_pct_mac"].min())
    return found


def layout_of(model: FlightModel) -> Layout:
    """Return what is kept of the flights of a scenario."""
    number = {phase: i for i, phase in enumerate(model.phases)}
    by_group = group_phases(model)
    groups = tuple(group for group in GROUPS if by_group[group])
    places: dict[str, tuple[int, ...]] = {phase: (i,) for phase, i in number.items()}
    places |= {group: tuple(number[phase] for phase in by_group[group]) for group in groups}
    outcomes = [
        outcome_name(side, place, reading)
        for side in SIDES
        for place in places
        for reading in (AS_PLANNED, AT_LIMIT)
    ]
    by_side = [(side, group) for side in SIDES for group in groups]
    errors = _errors(groups)
    steps = {f"margin.{side}.{group}": PCT_STEP for side, group in by_side}
    steps |= {f"excess.{side}.{group}": PCT_STEP for side, group in by_side}
    steps |= dict.fromkeys(errors, PCT_STEP) | _CABIN_STEPS
    trim_steps = _trim_steps(model)
    steps |= trim_steps | {"landing_cg_pct_mac": PCT_STEP}
    limits = (*_trim_limits(model), *_take_off_limits(model))
    margins = [
        phase_column(figure, phase=phase, side=side)
        for figure in ("margin_pct_mac", "outside_s")
        for phase in model.phases
        for side in SIDES
    ]
    return Layout(
        columns=model.columns,
        outcomes=(
            *outcomes,
            *(f"over_mass.{name}" for name in MAXIMA),
            *(limit.outcome for limit in limits),
        ),
        phases=model.phases,
        places=places,
        groups=groups,
        shift_kgm=tuple(operational_shift(model, side=side).moment_kgm for side in SIDES),
        scale_kgm=zero_fuel_scale(model),
        planned_pct=_planned(model, groups),
        extremes=(
            "zero_fuel_mass_kg",
            *(f"mass_margin_kg.{name}" for name in MAXIMA),
            *margins,
            *errors,
            *_CABIN_STEPS,
            *trim_steps,
        ),
        means=(
            *(f"take_off_error_kgm.{name}" for name in CONTRIBUTIONS),
            *CABIN_FIGURES,
            "total_wait_s",
            *errors,
            *(f"excess.{side}.{group}" for side, group in by_side),
            *trim_steps,
        ),
        steps=steps,
        fleet=model.scenario.operation.fleet,
        limits=limits,
    )
