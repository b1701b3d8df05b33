"""What the sample says of trim: authority in flight, and the take-off setting.

Changes of the setting are far better known than its absolute level, so that what must be reserved
is counted from the planned demand. Angles in degrees, leading edge up positive: more negative is
more nose-up trim; trim units grow with nose-up trim.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from cgrisk.aircraft.stabilizer import trim_settings_of
from cgrisk.aircraft.trim import (
    STANDARD_GRAVITY,
    Aerodynamics,
    State,
    aerodynamics_of,
    elevator_to_hold,
    manoeuvre_distance,
    neutral_point,
    stabilizer_to_trim,
)
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, conditions, why_no_trim
from cgrisk.risk.quantiles import binned_quantile, upper_rank
from cgrisk.risk.readings import share_interval
from cgrisk.sampling import Sample

__all__ = [
    "LEFT_OUT",
    "SETTING_NOTE",
    "crew_table",
    "margins",
    "required_authority",
    "take_off_figures",
    "take_off_risk",
    "trim_demand",
    "trim_left_out",
    "trim_rate",
    "trim_risk",
]

#: Risks at which the travel to reserve is stated.
_RISKS = (0.05, 0.01, 0.001)
_QUANTILES = (0.001, 0.05, 0.5, 0.95, 0.999)
#: Shares of flights at which margins are stated.
_AFT = (0.95, 0.999)
#: Load factor of the flare.
_FLARE = 1.2
LEFT_OUT = "Trim in flight is left out: "
SETTING_NOTE = (
    "Changes of the setting are better known than absolute angles: the level rests on the "
    "downwash, the flaps' moment and the aerodynamic centre, the change with the CG hardly does."
)
_INTERVAL = ("estimate", "low", "high", "confidence", "method")
_DIRECTIONS = (("nose_up", "trim_nose_up_deg", -1.0), ("nose_down", "trim_nose_down_deg", 1.0))


def trim_left_out(model: FlightModel) -> list[str]:
    """Return what of trim and take-off is left out of the answer, and why."""
    out = []
    reason = why_no_trim(model.scenario)
    if reason:
        out.append(f"{LEFT_OUT}{reason}.")
    if model.take_off is None:
        out.append(
            "The take-off setting is left out: it needs a take_off phase, and either one of "
            "[[trim_tables]] for its flaps and thrust_rating, or [aerodynamics], [stabilizer] and "
            "[ground_run]."
        )
    elif model.take_off.run is None:
        out.append("Rotation is left out: it needs [aerodynamics], [stabilizer] and [ground_run].")
    return out


def _planned(sample: Sample, phase: str, column: str) -> float:
    table = sample.model.planned_trim
    return float(table[table["phase"] == phase][column].iloc[0])


def _stops(sample: Sample) -> dict[str, float]:
    data = sample.model.scenario.aircraft.stabilizer
    assert data is not None
    return {"nose_up": data.nose_up_stop, "nose_down": data.nose_down_stop}


def trim_demand(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return how far the setting that trims goes each way in each phase, against its stop.

    Returns
    -------
    pandas.DataFrame
        phase, direction (nose_up, nose_down), planned_deg, probability, estimate, low, high (of
        the quantile, deg), confidence, stop_deg, margin_deg (of the estimate to the stop, positive
        inside), method. Empty where trim is left out.
    """
    rows = []
    for phase in sample.model.planned_trim["phase"]:
        for direction, column, sign in _DIRECTIONS:
            stop = _stops(sample)[direction]
            planned = _planned(sample, phase, column)
            for probability in _QUANTILES:
                q = binned_quantile(
                    sample.tally.histograms[f"{column}.{phase}"],
                    probability,
                    confidence=confidence,
                    any_time=sample.precision is not None,
                )
                bounds = q.estimate, q.low, q.high, confidence
                margin = sign * (stop - q.estimate)
                rows.append(
                    (phase, direction, planned, probability, *bounds, stop, margin, q.method)
                )
    names = ["phase", "direction", "planned_deg", "probability", "estimate", "low", "high"]
    return pd.DataFrame(rows, columns=[*names, "confidence", "stop_deg", "margin_deg", "method"])


def required_authority(
    sample: Sample, *, risks: tuple[float, ...] = _RISKS, confidence: float = 0.95
) -> pd.DataFrame:
    """Return the travel to reserve beyond the planned demand, so that it suffices at a risk.

    Parameters
    ----------
    sample : Sample
        Flights.
    risks : tuple of float
        Chances per flight that the reserve does not suffice, each direction and phase by itself.
    confidence : float
        One-sided, of each bound by itself.

    Returns
    -------
    pandas.DataFrame
        phase, direction, risk, reserve_deg (upper confidence bound of the quantile; inf with too
        few flights), planned_deg, left_deg (between planned demand with reserve and the stop),
        confidence.
    """
    rows = []
    for phase in sample.model.planned_trim["phase"]:
        for direction, column, sign in _DIRECTIONS:
            planned = _planned(sample, phase, column)
            room = sign * (_stops(sample)[direction] - planned)
            for risk in risks:
                bound = _outer_bound(sample, f"{column}.{phase}", sign, risk, confidence)
                reserve = max(0.0, sign * (bound - planned))
                left = room - reserve
                rows.append((phase, direction, risk, reserve, planned, left, confidence))
    names = ["phase", "direction", "risk", "reserve_deg", "planned_deg", "left_deg", "confidence"]
    return pd.DataFrame(rows, columns=names)


def trim_rate(sample: Sample) -> pd.DataFrame:
    """Return how far the stabilizer lags behind in each phase, and what the elevator holds then.

    Returns
    -------
    pandas.DataFrame
        phase, probability, lag_deg (of the stabilizer), elevator_deg (that holds it), share (of
        the smaller elevator travel). Empty where trim is left out.
    """
    names = ["phase", "probability", "lag_deg", "elevator_deg", "share"]
    data, aero = (
        sample.model.scenario.aircraft.stabilizer,
        sample.model.scenario.aircraft.aerodynamics,
    )
    if data is None or aero is None:
        return pd.DataFrame(columns=names)
    rows = []
    for phase in sample.model.planned_trim["phase"]:
        for probability in (0.5, 0.95, 0.999):
            lag = binned_quantile(
                sample.tally.histograms[f"trim_lag_deg.{phase}"], probability
            ).estimate
            held = lag / aero.elevator_effect
            share = held / min(data.elevator_up, data.elevator_down)
            rows.append((phase, probability, lag, held, share))
    return pd.DataFrame(rows, columns=names)


def _outer_bound(sample: Sample, name: str, sign: float, risk: float, confidence: float) -> float:
    """Return the confidence bound, outward, of the quantile passed with a chance of ``risk``."""
    histogram, flights = sample.tally.histograms[name], sample.flights
    if sample.precision is not None:  # the flights decided when to stop
        q = binned_quantile(
            histogram, 1.0 - risk if sign > 0 else risk, confidence=confidence, any_time=True
        )
        return q.high if sign > 0 else q.low
    rank = upper_rank(flights, probability=1.0 - risk, tail=1.0 - confidence)
    if rank > flights:
        return sign * math.inf
    if sign > 0:
        return histogram.within(rank)[1]
    return histogram.within(flights + 1 - rank)[0]


def trim_risk(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return the chance per flight that authority or rate runs out, by phase.

    Returns
    -------
    pandas.DataFrame
        phase (each in the air, any), event (nose_up_stop, nose_down_stop: the setting that trims is
        beyond the stop; rate: the elevator must hold more than its share), hits, flights,
        estimate, low, high, confidence, method.
    """
    return _risks(sample, "trim.", ["phase", "event"], confidence)


def take_off_risk(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return the chance per flight of each take-off event, with the CG error that it needs.

    Returns
    -------
    pandas.DataFrame
        event, cg_limit_pct_mac (at the planned mass and the setting made), cg_error_needed_pct_mac
        (that less the planned CG; nan where there is none), hits, flights, estimate, low, high,
        confidence, method.
    """
    table = _risks(sample, "take_off.", ["event"], confidence)
    plan = sample.model.take_off
    limits = {} if plan is None or plan.run is None else plan.cg_limits()
    at = [limits.get(event, math.nan) for event in table["event"]]
    planned = math.nan if plan is None else plan.cg_pct_mac
    table.insert(1, "cg_limit_pct_mac", at)
    table.insert(2, "cg_error_needed_pct_mac", [value - planned for value in at])
    return table


def _risks(sample: Sample, prefix: str, keys: list[str], confidence: float) -> pd.DataFrame:
    rows = []
    for name, hits in zip(sample.layout.outcomes, sample.tally.hits.tolist(), strict=True):
        if name.startswith(prefix):
            p = share_interval(sample, hits, confidence=confidence)
            figures = p.estimate, p.low, p.high, p.confidence, p.method
            rows.append((*name.removeprefix(prefix).split("."), hits, sample.flights, *figures))
    return pd.DataFrame(rows, columns=[*keys, "hits", "flights", *_INTERVAL])


def take_off_figures(sample: Sample) -> dict[str, float | None]:
    """Return the take-off of the load sheet in figures, and how wrong its setting may be.

    Returns
    -------
    dict of str to float or None
        Setting made and needed (trim units), mis-trim (made less needed) of 5 and 95 % of flights
        in trim units, degrees and as % MAC, both bands, speeds (kt). None where a figure cannot
        be told. Empty without a take-off plan.
    """
    plan = sample.model.take_off
    if plan is None:
        return {}
    mis_trim = sample.tally.histograms["take_off_mis_trim_units"]
    slope = _units_per_pct(sample.model)
    unit = math.degrees(plan.settings.unit_rad)
    found: dict[str, float | None] = {
        "setting_made_units": plan.set_units,
        "setting_needed_by_plan_units": plan.exact_units,
        "units_per_pct_mac": slope,
    }
    for probability in (0.05, 0.95):
        units = binned_quantile(mis_trim, probability).estimate
        name = f"mis_trim_{100 * probability:.0f}_pct"
        found[f"{name}_units"] = units
        # In degrees of incidence; and the actual CG aft of the one that the setting made fits.
        found[f"{name}_deg"] = None if math.isnan(unit) else -units * unit
        found[f"{name}_as_cg_aft_pct_mac"] = -units / slope if slope else None
    band = plan.settings.band
    found["trim_band_least_units"], found["trim_band_most_units"] = band or (None, None)
    found["setting_made_is_in_trim_band"] = (
        None if band is None else float(band[0] <= plan.set_units <= band[1])
    )
    if plan.run is not None:
        least, most = plan.usable_band()
        found["usable_band_least_units"] = None if math.isnan(least) else least
        found["usable_band_most_units"] = None if math.isnan(most) else most
        found["vr_kt"] = plan.run.vr_mps * 3600.0 / 1852.0
        found["v2_kt"] = plan.run.v2_mps * 3600.0 / 1852.0
    return found


def _units_per_pct(model: FlightModel) -> float | None:
    """Return how the take-off setting changes with the CG (trim units per % MAC)."""
    plan = model.take_off
    if plan is None:
        return None
    places = np.array([plan.cg_pct_mac - 0.5, plan.cg_pct_mac + 0.5])
    units = plan.needed_units(mass_kg=np.full(2, plan.mass_kg), cg_pct_mac=places)
    return float(units[1] - units[0])


def crew_table(model: FlightModel, *, people: int = 10, mass_kg: float = 84.0) -> pd.DataFrame:
    """Return what people who go from one cabin zone to another do to the trim, by phase.

    Parameters
    ----------
    model : FlightModel
        What is flown.
    people, mass_kg : int, float
        How many at most, and the mass of each with what they carry; no more go than the load
        sheet counts in their zone.

    Returns
    -------
    pandas.DataFrame
        phase (take_off: seated so, at the speed of the setting; phases in the air: half-way),
        people, from_zone, to_zone, cg_shift_pct_mac, trim_units (needed more nose-up; negative:
        less), elevator_deg (that holds it until trimmed; negative is a pull; nan without
        aerodynamics).

    Raises
    ------
    UsageError
        If ``people`` is not positive.
    """
    if people < 1:
        raise UsageError(
            argument="people", expected="a number of at least 1", got=people, cure="Give one."
        )
    zones, cabin = model.plan.zones, model.program.cabin
    arms, aero = cabin.zone_arm_m, model.scenario.aircraft.aerodynamics
    rows = []
    for phase, mass, units_per_kgm, unit in _moment_slopes(model):
        for i, origin in enumerate(zones):
            moved = min(people, int(cabin.zone_adults[i] + cabin.zone_children[i]))
            for j, goal in enumerate(zones):
                if i == j or moved == 0:
                    continue
                moment = moved * mass_kg * float(arms[j] - arms[i])
                units = units_per_kgm * moment
                held = math.nan if aero is None else -units * unit / aero.elevator_effect
                shift = 100.0 * moment / (mass * model.balance.mac_m)
                rows.append((phase, moved, origin, goal, shift, units, held))
    names = ["phase", "people", "from_zone", "to_zone", "cg_shift_pct_mac", "trim_units"]
    return pd.DataFrame(rows, columns=[*names, "elevator_deg"])


def _moment_slopes(model: FlightModel) -> list[tuple[str, float, float, float]]:
    """Return (phase, planned mass, trim units per kg m aft, degrees per unit) of each phase."""
    found = []
    plan, slope = model.take_off, _units_per_pct(model)
    if plan is not None and slope is not None:
        scale = 100.0 / (plan.mass_kg * model.balance.mac_m)
        found.append(
            ("take_off", plan.mass_kg, slope * scale, math.degrees(plan.settings.unit_rad))
        )
    settings, trim, planned = (
        trim_settings_of(model.scenario.aircraft),
        model.program.trim,
        model.planned,
    )
    if settings is not None:
        for phase in model.planned_trim["phase"]:
            part = planned[planned["phase"] == phase]
            middle = 0.5 * float(part["time_s"].iloc[0] + part["time_s"].iloc[-1])
            mass = float(np.interp(middle, planned["time_s"], planned["mass_kg"]))
            by_moment = float(np.interp(middle, trim.time_s, trim.by_moment))
            unit = math.degrees(settings.unit_rad)
            found.append((phase, mass, -by_moment / settings.unit_rad, unit))
    return found


def margins(sample: Sample) -> pd.DataFrame:
    """Return static and manoeuvre margins at aft CGs, and the flare's elevator at forward ones.

    Returns
    -------
    pandas.DataFrame
        figure (static_margin, manoeuvre_margin: % MAC; flare_elevator: deg, negative is a pull),
        phase, at (planned, or the quantile of the CG over flights), value, limit (0, or the
        elevator's travel).

    Notes
    -----
    The manoeuvre point is behind the neutral point by rho S l_h eta V_H a_h / (2 m) (M. V. Cook,
    Flight Dynamics Principles, chapter 8; from memory). The flare is a pull to a load factor of
    1.2 from the trimmed landing speed, with the downwash of ground effect and the tail's damping:
    an assumption; the wing's own ground effect is left out. The least neutral point of a phase is
    set against the most aft CG of it.
    """
    model = sample.model
    names = ["figure", "phase", "at", "value", "limit"]
    aero = aerodynamics_of(model.scenario.aircraft)
    if aero is None or model.planned_trim.empty:
        return pd.DataFrame(columns=names)
    rows: list[tuple[str, str, str, float, float]] = []
    planned = model.planned
    for phase in model.planned_trim["phase"]:
        path = planned[planned["phase"] == phase]
        time = np.linspace(path["time_s"].iloc[0], path["time_s"].iloc[-1], 21)
        mass = np.interp(time, path["time_s"], path["mass_kg"])
        here = conditions(model.scenario, aero, time_s=time, mass_kg=mass)
        state = State(mass, 0.0, here.eas_mps, here.mach, here.thrust_n, here.flap, here.gear_down)
        neutral = neutral_point(aero, state)
        behind = manoeuvre_distance(aero, mass_kg=mass, altitude_m=here.altitude_m, mach=here.mach)
        histogram = sample.tally.histograms[f"cg_aft_pct_mac.{phase}"]
        for label, cg in (
            ("planned", _planned(sample, phase, "cg_aft_pct_mac")),
            *(
                (f"CG of the {100 * p:g} % quantile", binned_quantile(histogram, p).estimate)
                for p in _AFT
            ),
        ):
            rows.append(("static_margin", phase, label, 100.0 * float(neutral.min()) - cg, 0.0))
            place = 100.0 * float((neutral + behind).min())
            rows.append(("manoeuvre_margin", phase, label, place - cg, 0.0))
    return pd.DataFrame([*rows, *_flare(sample, aero)], columns=names)


def _label(probability: float) -> str:
    return f"CG, {100 * probability:.1f} % quantile"


def _flare(sample: Sample, aero: Aerodynamics) -> list[tuple[str, str, str, float, float]]:
    """Return the elevator that flares the landing at the planned and at forward CGs."""
    model = sample.model
    kinds = [phase.kind for phase in model.scenario.operation.phases]
    data, run = model.scenario.aircraft.stabilizer, model.scenario.aircraft.ground_run
    if "landing" not in kinds or data is None or run is None:
        return []
    phase = model.phases[kinds.index("landing")]
    first = model.planned[model.planned["phase"] == phase].iloc[0]
    last = model.planned[model.planned["phase"] == phase].iloc[-1]
    mass = np.array([float(first["mass_kg"])])
    here = conditions(
        model.scenario, aero, time_s=np.array([float(last["time_s"]) - 1.0]), mass_kg=mass
    )
    # The tail's own speed of the pitch rate (n - 1) g / V takes a pull of its own.
    rate = (_FLARE - 1.0) * STANDARD_GRAVITY * aero.tail_arm_m / here.eas_mps**2
    near = replace(aero, downwash=aero.downwash * run.ground_downwash)
    cg = sample.tally.histograms["landing_cg_pct_mac"]
    out = []
    for label, place in (
        ("planned", float(first["cg_pct_mac"])),
        *(
            (f"CG of the {100 * p:g} % quantile", binned_quantile(cg, 1.0 - p).estimate)
            for p in _AFT
        ),
    ):
        state = State(
            mass_kg=mass,
            h=place / 100.0,
            eas_mps=here.eas_mps,
            mach=here.mach,
            thrust_n=here.thrust_n,
            flap=here.flap,
            gear_down=here.gear_down,
        )
        trimmed = stabilizer_to_trim(aero, state)
        flared = stabilizer_to_trim(near, replace(state, thrust_n=0.0, load_factor=_FLARE))
        angle = elevator_to_hold(aero, needed_rad=flared - rate, set_rad=trimmed)
        out.append(("flare_elevator", phase, label, float(np.rad2deg(angle[0])), -data.elevator_up))
    return out
