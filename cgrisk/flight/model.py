"""A scenario made ready to fly, and the functions that fly it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import Balance, CabinPlan, balance_of, cabin_plan
from cgrisk.aircraft.stabilizer import trim_settings_of
from cgrisk.aircraft.trim import aerodynamics_of
from cgrisk.errors import UsageError
from cgrisk.flight.cabin_program import (
    call_data,
    crowd_data,
    places_data,
    service_data,
    urge_data,
)
from cgrisk.flight.columns import (
    SIDES,
    TRIM_FIGURES,
    column_names,
    rest_on_moments,
    trim_columns,
)
from cgrisk.flight.contract import PER_AIR, PER_SIDE
from cgrisk.flight.kernel.data import PathData, Program, SheetData
from cgrisk.flight.kernel.fly import fly, plan
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.loading import load_up
from cgrisk.flight.kernel.moves import DIARY_COLUMNS, Diary
from cgrisk.flight.loadsheet import LoadSheet, make_load_sheet
from cgrisk.flight.mass_program import mass_data
from cgrisk.flight.program import (
    cabin_data,
    configuration_data,
    curtailed_limits,
    dry_data,
    fuel_data,
    hold_data,
    limit_data,
    no_movement,
    no_plan,
    party_data,
    phase_names,
    timeline_data,
    transfer_data,
)
from cgrisk.flight.take_off import (
    TakeOffPlan,
    add_take_off_figures,
    plan_take_off,
    take_off_columns,
)
from cgrisk.flight.trim_program import no_trim, trim_data, why_no_trim
from cgrisk.randomness.keys import CAUSES, Cause, split_seed
from cgrisk.scenario import Scenario

__all__ = [
    "MOST_RECORDED",
    "FlightModel",
    "entity_counts",
    "fly_block",
    "keys_of",
    "load_block",
    "path_frame",
    "prepare",
]

MOST_RECORDED = 20_000


@dataclass(frozen=True, slots=True)
class FlightModel:
    """A scenario made ready to fly.

    Attributes
    ----------
    scenario : Scenario
        What it was made from.
    plan : CabinPlan
        Seats and zones.
    balance : Balance
        Chord and index formula.
    sheet : LoadSheet
        The load sheet.
    planned : pandas.DataFrame
        The planned path: time_s, mass_kg, moment_kgm, cg_pct_mac, phase, straight between rows.
    planned_margins : pandas.DataFrame
        Its least margins to the certified limits: phase, side, margin_pct_mac, time_of_least_s,
        mass_at_least_kg, moment_margin_kgm.
    operational_margins : pandas.DataFrame
        The same to the operator's curtailed limits (the certified ones where there are none).
    phases : tuple of str
        Names of the phases.
    columns : tuple of str
        Names of the figures of a flight.
    planned_trim : pandas.DataFrame
        Trim of the planned path by phase in the air: phase, and the figures of
        :data:`cgrisk.flight.columns.TRIM_FIGURES`; empty where trim cannot be computed.
    take_off : TakeOffPlan or None
        Take-off setting and speeds of the load sheet; None where they cannot be told.
    program : Program
        Flat arrays for the kernel.
    """

    scenario: Scenario
    plan: CabinPlan
    balance: Balance
    sheet: LoadSheet
    planned: pd.DataFrame
    planned_margins: pd.DataFrame
    operational_margins: pd.DataFrame
    phases: tuple[str, ...]
    columns: tuple[str, ...]
    planned_trim: pd.DataFrame
    take_off: TakeOffPlan | None
    program: Program


def path_frame(
    record: NDArray[np.float64], balance: Balance, phases: tuple[str, ...]
) -> pd.DataFrame:
    """Return a recorded path (time, mass, moment, phase) as a table."""
    return pd.DataFrame(
        {
            "time_s": record[:, 0],
            "mass_kg": record[:, 1],
            "moment_kgm": record[:, 2],
            "cg_pct_mac": balance.cg_pct_mac(record[:, 1], record[:, 2]),
            "phase": pd.Categorical.from_codes(
                record[:, 3].astype(np.int64), categories=pd.Index(phases)
            ),
        }
    )


def _fly_plan(
    program: Program, sheet: LoadSheet
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return (record, extremes by phase and side, trim by phase in the air) of the planned path."""
    still = program.configuration._replace(moment_kgm=0.0 * program.configuration.moment_kgm)
    program = program._replace(configuration=still)
    sides = np.empty((2 * program.timeline.end_s.size, PER_SIDE))
    settings = np.empty((int(program.trim.slot.max()) + 1, PER_AIR))
    record = np.empty((MOST_RECORDED, 4))
    mass, moment = sheet.zero_fuel_mass_kg, sheet.zero_fuel_moment_kgm
    rows = plan(program, mass, moment, sides, settings, record)
    return record[:rows].copy(), sides, settings


def _margins_frame(
    sides: NDArray[np.float64], balance: Balance, phases: tuple[str, ...]
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "phase": [phase for phase in phases for _ in SIDES],
            "side": [side for _ in phases for side in SIDES],
            "margin_pct_mac": 100.0 * sides[:, 0] / balance.mac_m,
            "time_of_least_s": sides[:, 1],
            "mass_at_least_kg": sides[:, 2],
            "moment_margin_kgm": sides[:, 3],
        }
    )


def _trim_frame(
    settings: NDArray[np.float64], phases: tuple[str, ...], balance: Balance
) -> pd.DataFrame:
    angles = {name: np.rad2deg(settings[:, k]) for k, name in enumerate(TRIM_FIGURES[:3])}
    aft = balance.arm_to_pct(settings[:, 3])
    return pd.DataFrame({"phase": list(phases), **angles, TRIM_FIGURES[3]: aft})


def _sheet_data(program: Program, sheet: LoadSheet, record: NDArray[np.float64]) -> SheetData:
    """Return the planned path's nodes, without repeated instants, and the take-off figures."""
    keep = np.concatenate([np.diff(record[:, 0]) > 0.0, [True]])
    first = int(np.argmax(record[:, 3] == program.timeline.take_off))
    mass, moment = record[first, 1], record[first, 2]
    arm = moment / mass
    return SheetData(
        rounding_kgm=sheet.rounding_kgm - arm * sheet.rounding_kg,
        zero_fuel_mass_kg=sheet.zero_fuel_mass_kg,
        zero_fuel_moment_kgm=sheet.zero_fuel_moment_kgm,
        take_off_arm_m=arm,
        take_off_fuel_kg=mass - sheet.zero_fuel_mass_kg,
        take_off_fuel_moment_kgm=moment - sheet.zero_fuel_moment_kgm,
        node_time_s=record[keep, 0].copy(),
        node_mass_kg=record[keep, 1].copy(),
        node_moment_kgm=record[keep, 2].copy(),
    )


def prepare(scenario: Scenario, *, script: PathData | None = None) -> FlightModel:
    """Make a scenario ready to fly: load sheet, planned path, arrays for the kernel.

    Parameters
    ----------
    scenario : Scenario
        Checked scenario.
    script : PathData, optional
        Movement that happens on every flight: sorted times (s), changes of moment rate (kg m/s)
        and jumps of moment (kg m), on top of what the passengers, carts and crew do.
    """
    cabin, balance = cabin_plan(scenario), balance_of(scenario.aircraft)
    sheet = make_load_sheet(scenario, plan=cabin)
    phases = phase_names(scenario)
    cabin_arrays = cabin_data(scenario, plan=cabin, sheet=sheet)
    program = Program(
        dry=dry_data(scenario),
        cabin=cabin_arrays,
        party=party_data(scenario),
        mass=mass_data(scenario, cabin=cabin_arrays),
        hold=hold_data(scenario, sheet=sheet),
        fuel=fuel_data(scenario),
        transfer=transfer_data(scenario),
        timeline=timeline_data(scenario),
        limit=limit_data(scenario, balance=balance),
        configuration=configuration_data(scenario),
        script=no_movement() if script is None else script,
        places=places_data(scenario, plan=cabin),
        urge=urge_data(scenario, plan=cabin),
        calls=call_data(scenario),
        crowd=crowd_data(scenario, plan=cabin),
        service=service_data(scenario, plan=cabin),
        sheet=no_plan(),
        trim=no_trim(len(phases)),
        moments_alone=False,
    )
    record, sides, _ = _fly_plan(program, sheet)
    take_off = plan_take_off(scenario, balance=balance, record=record)
    trim = program.trim
    aero, settings = aerodynamics_of(scenario.aircraft), trim_settings_of(scenario.aircraft)
    if aero is not None and settings is not None and not why_no_trim(scenario):
        trim = trim_data(
            scenario,
            aero=aero,
            settings=settings,
            balance=balance,
            planned_time_s=record[:, 0],
            planned_mass_kg=record[:, 1],
            start_rad=np.nan if take_off is None else float(settings.to_rad(take_off.set_units)),
        )
    return FlightModel(
        scenario=scenario,
        plan=cabin,
        balance=balance,
        sheet=sheet,
        planned=path_frame(record, balance, phases),
        planned_margins=_margins_frame(sides, balance, phases),
        operational_margins=_margins_frame(
            _fly_plan(program._replace(limit=curtailed_limits(scenario, program.limit)), sheet)[1],
            balance,
            phases,
        ),
        phases=phases,
        columns=(
            *column_names(phases),
            *trim_columns(tuple(phases[i] for i in np.flatnonzero(trim.slot >= 0))),
            *take_off_columns(take_off),
        ),
        planned_trim=_trim_frame(
            _fly_plan(program._replace(trim=trim), sheet)[2],
            tuple(phases[i] for i in np.flatnonzero(trim.slot >= 0)),
            balance,
        ),
        take_off=take_off,
        program=program._replace(sheet=_sheet_data(program, sheet, record), trim=trim),
    )


def entity_counts(model: FlightModel) -> dict[str, int]:
    """Return how many entities each cause has: the columns of a version table, cause by cause."""
    cabin = model.program.cabin
    persons = cabin.arm_m.size
    counts = dict.fromkeys(CAUSES, 0)
    counts |= {
        "dry": 2,
        "count": cabin.zone_region.size,
        "party": persons,
        "seating": cabin.arm_m.size + persons,
        "mass": persons,
        "movement": persons + 1,
        "crowd": persons + 1,
        "service": cabin.reseating_entity + 1,
        "cargo": 1 + model.program.hold.arm_m.size,
        "fuel": 1 + model.program.fuel.capacity_m3.size + model.program.transfer.at_kg.size,
    }
    return counts


def keys_of(
    model: FlightModel,
    seed: int,
    flights: NDArray[np.uint32],
    versions: NDArray[np.uint32] | None,
) -> Keys:
    """Return the keys of flights for the kernel; arguments as for :func:`fly_block`.

    Raises
    ------
    UsageError
        If the versions do not fit the flights and the entities.
    """
    k0, k1 = split_seed(seed)
    counts = [0, *entity_counts(model).values()]
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    if versions is None:
        versions = np.zeros((1, 1), dtype=np.uint32)
    elif versions.shape != (flights.shape[0], first[-1]):
        raise UsageError(
            argument="versions",
            expected=f"an array of shape {(flights.shape[0], int(first[-1]))}",
            got=versions.shape,
            cure="Give one row per flight and one column per entity (see entity_counts).",
        )
    return Keys(k0, k1, np.ascontiguousarray(flights), np.ascontiguousarray(versions), first)


def _no_diary() -> Diary:
    return Diary(np.empty((0, DIARY_COLUMNS)), np.zeros(1, dtype=np.int64))


def fly_block(
    model: FlightModel,
    *,
    seed: int,
    flights: NDArray[np.uint32],
    versions: NDArray[np.uint32] | None = None,
    swapped: dict[str, NDArray[np.uint32]] | None = None,
    needed: Sequence[int] | None = None,
) -> NDArray[np.float64]:
    """Fly flights by their numbers; each row depends on seed, number and versions alone.

    Parameters
    ----------
    model : FlightModel
        From :func:`prepare`.
    seed : int
        Resolved seed, 0 to 2**64 - 1.
    flights : uint32 array, shape (n,)
        Flight numbers, in any order.
    versions : uint32 array, shape (n, entities), optional
        Versions of the entities' keys; none means 0 throughout.
    swapped : dict of str to uint32 array of shape (n,), optional
        For a cause, the flight numbers whose draws it uses instead: a constant freezes it.
    needed : sequence of int, optional
        Columns that are looked at; None: all. Where margins in moment and what comes before the
        figures by phase are enough, the others are left out (nan): CG errors; CG margins with their
        times and masses, and the time outside; trim; setting, nose wheel and rotation at take-off.

    Returns
    -------
    float64 array, shape (n, len(model.columns))
        Figures named by ``model.columns``.

    Raises
    ------
    UsageError
        If an argument is out of range.
    """
    numbers = flights.reshape(-1, 1)
    if swapped:
        numbers = np.repeat(numbers, len(CAUSES) + 1, axis=1)
        for name, other in swapped.items():
            if name not in CAUSES:
                raise UsageError(
                    argument="swapped",
                    expected=f"causes out of {', '.join(CAUSES)}",
                    got=name,
                    cure="Name a cause from that list.",
                )
            numbers[:, Cause[name.upper()]] = other
    keys = keys_of(model, seed, numbers, versions)
    out = np.empty((flights.size, len(model.columns)))
    program, brief = model.program, False
    if needed is not None and rest_on_moments(model.columns[i] for i in needed):
        program, brief = program._replace(moments_alone=True), True
        out[:, len(model.columns) - len(take_off_columns(model.take_off)) :] = np.nan
    fly(program, keys, out, np.empty((0, 4)), _no_diary())
    if model.take_off is not None and not brief:
        add_take_off_figures(model.take_off, model.columns, out)
    return out


def load_block(
    model: FlightModel,
    *,
    seed: int,
    flights: NDArray[np.uint32],
    versions: NDArray[np.uint32] | None = None,
) -> NDArray[np.float64]:
    """Load flights without flying them: the same people and loads as :func:`fly_block`.

    Parameters
    ----------
    model, seed, flights, versions
        As there.

    Returns
    -------
    float64 array, shape (n, 2)
        Zero-fuel mass (kg) and moment (kg m).
    """
    keys = keys_of(model, seed, flights.reshape(-1, 1), versions)
    out = np.empty((flights.size, 2))
    load_up(model.program, keys, out)
    return out
