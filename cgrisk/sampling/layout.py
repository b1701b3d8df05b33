"""What is kept of many flights once their rows are gone: which outcomes, extremes, bins, means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from cgrisk.flight import (
    CABIN_FIGURES,
    CONTRIBUTIONS,
    GROUPS,
    SIDES,
    FlightModel,
    group_phases,
    operational_shift,
    phase_column,
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
    margins = [
        phase_column(figure, phase=phase, side=side)
        for figure in ("margin_pct_mac", "outside_s")
        for phase in model.phases
        for side in SIDES
    ]
    return Layout(
        columns=model.columns,
        outcomes=(*outcomes, *(f"over_mass.{name}" for name in MAXIMA)),
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
        ),
        means=(
            *(f"take_off_error_kgm.{name}" for name in CONTRIBUTIONS),
            *CABIN_FIGURES,
            "total_wait_s",
            *errors,
            *(f"excess.{side}.{group}" for side, group in by_side),
        ),
        steps=steps,
        fleet=model.scenario.operation.fleet,
    )
