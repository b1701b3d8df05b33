"""What a scenario means, in text, for `cgrisk check`."""

from __future__ import annotations

import pandas as pd

from cgrisk.aircraft import cabin_text
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, operational_shift, prepare, with_entry_error
from cgrisk.flight.paper_masses import POPULATIONS, men_on_sheet, surveyed_kg
from cgrisk.flight.populations import survey_error_pct
from cgrisk.rare.missed import planned_transfers_kg
from cgrisk.report.planned_masses import planned_masses
from cgrisk.risk.summary import CAUTIONS
from cgrisk.risk.trim import trim_left_out
from cgrisk.scenario import Scenario
from cgrisk.scenario.registry import assumption_register, unused_fields
from cgrisk.units import mass_text

__all__ = ["assumptions_text", "check_text"]


def _table(frame: pd.DataFrame, figures: dict[str, str]) -> str:
    shown = frame.copy()
    for name, form in figures.items():
        shown[name] = [format(value, form) for value in shown[name]]
    return shown.to_string(index=False)


def _masses(model: FlightModel) -> str:
    lines = []
    for mass in planned_masses(model):
        line = f"  {mass.label:<14}{mass.mass_kg:>10,.0f} kg"
        if mass.most_kg is not None:
            line += f"   maximum {mass.most_kg:>10,.0f} kg{'   OVER' if mass.is_over else ''}"
        lines.append(line)
    return "\n".join(lines)


def _envelopes(scenario: Scenario) -> list[str]:
    lines = []
    for envelope in scenario.aircraft.envelopes:
        lines.append("  " + ", ".join(envelope.phases))
        for side, points in (("forward", envelope.forward), ("aft", envelope.aft)):
            text = ", ".join(f"{pct:g} at {mass:,.0f} kg" for mass, pct in points)
            lines.append(f"    {side:<8}{text}")
    return lines


def _transfers(scenario: Scenario) -> list[str]:
    return [
        f"  {transfer.name}: {', '.join(transfer.from_tanks)} to {', '.join(transfer.to_tanks)} at "
        f"{transfer.at_fuel:,.0f} kg aboard, late by {transfer.late_mean:g} min on the mean, "
        f"stuck with a chance of {transfer.stuck:g}"
        for transfer in scenario.aircraft.fuel_transfers
    ]


def _classes(model: FlightModel) -> list[str]:
    """Return what each class of travel has, where there are several, and the crew's rest."""
    plan, out = model.plan, []
    for number, name in enumerate(plan.classes if len(plan.classes) > 1 else ()):
        rows = plan.row[plan.class_index == number]
        parts = [f"{name}: rows {rows.min()} to {rows.max()}, {rows.size} seats"]
        for what, places in (("lavatories", plan.lavatories), ("galleys", plan.galleys)):
            each = zip(places.name, places.classes, strict=True)
            theirs = [place for place, whose in each if not whose or name in whose]
            parts.append(f"{what}: {', '.join(theirs) or 'none'}")
        out.append("; ".join(parts))
    rest = model.scenario.aircraft.cabin.crew_rest
    if rest is not None:
        out.append(f"crew rest: {rest.bunks} bunks, arm {rest.arm:.2f} m")
    return out


def _path(model: FlightModel) -> str:
    path = model.planned
    rows = []
    for phase in model.phases:
        part = path[path["phase"] == phase]
        first, last = part.iloc[0], part.iloc[-1]
        row = [phase, f"{first['mass_kg']:,.0f}", f"{first['cg_pct_mac']:.2f}"]
        row += [f"{last['cg_pct_mac']:.2f}"]
        for frame in (model.planned_margins, model.operational_margins):
            for side in ("forward", "aft"):
                here = frame[(frame["phase"] == phase) & (frame["side"] == side)]
                row.append(f"{float(here['margin_pct_mac'].iloc[0]):.2f}")
        rows.append(row)
    names = [
        "phase",
        "mass kg",
        "CG start",
        "CG end",
        "cert fwd",
        "cert aft",
        "oper fwd",
        "oper aft",
    ]
    return pd.DataFrame(rows, columns=names).to_string(index=False)


def _findings(model: FlightModel) -> list[str]:
    out = []
    for side in ("forward", "aft"):
        shift = operational_shift(model, side=side)
        if shift.moment_kgm < 0.0:
            out.append(
                f"The planned load is {-shift.offset_pct_mac:.2f} % MAC outside the operational "
                f"envelope, {side}, in {shift.phase}."
            )
        else:
            out.append(
                f"The planned zero-fuel CG may move {shift.offset_pct_mac:.2f} % MAC {side} at the "
                f"same masses before it meets the operational limit (first in {shift.phase})."
            )
    fuel, phases = model.scenario.operation.fuel, model.scenario.operation.phases
    burn = sum(60.0 * phase.minutes * phase.fuel_flow for phase in phases)
    if fuel.block < burn * (1.0 + 4.0 * fuel.burn_sd):
        out.append(
            f"Some sampled flights burn all their fuel: {fuel.block:,.0f} kg aboard, "
            f"{burn:,.0f} kg planned burn with a standard deviation of {100 * fuel.burn_sd:g} %. "
            "They fly on at the mass reached."
        )
    if any(mass.is_over for mass in planned_masses(model)):
        out.append("A planned mass is above its certified maximum.")
    return out


def _transfer_findings(model: FlightModel) -> list[str]:
    """Return what each transfer of fuel does as planned, and those that do nothing."""
    specs = model.scenario.aircraft.fuel_transfers
    if not specs:
        return []
    try:
        planned = {x: (at_s, kg) for x, at_s, kg in planned_transfers_kg(model)}
    except UsageError:
        return []
    out, system = [], model.scenario.aircraft.units
    for x, spec in enumerate(specs):
        if x not in planned:
            out.append(
                f"Fuel transfer {spec.name!r} does not take place as planned: it never falls due "
                "(at_fuel; the first phase of kind cruise)."
            )
            continue
        at_s, kg = planned[x]
        moved = mass_text(kg, system=system)
        why = "" if kg >= 0.5 else ": its tanks are empty, or those it goes to full"
        out.append(
            f"Fuel transfer {spec.name!r}, as planned: due at minute {at_s / 60.0:.0f}, "
            f"moves {moved}{why}."
        )
    return out


def _closed_lavatory(model: FlightModel) -> list[str]:
    """Return what a closed lavatory leaves, where that is odd."""
    chance, doors = model.program.places.closed_chance, int(model.plan.lavatories.count.sum())
    if chance == 0.0 or doors > 1:
        return []
    if doors == 0:
        return ["behaviour.lavatory_closed is above 0, but the cabin has no lavatory to close."]
    standing = int(model.plan.galleys.standing.sum()) > 0
    instead = "everybody who gets up stands about at a galley" if standing else "nobody gets up"
    return [f"On {100.0 * chance:g} % of flights the only lavatory is closed: then {instead}."]


def _people_findings(model: FlightModel) -> list[str]:
    """Return what the load sheet takes people's mass from, and how far a survey can be trusted."""
    operation = model.scenario.operation
    out = []
    if operation.load_sheet.basis == "by_sex":
        men = [men_on_sheet(operation, zone) for zone in operation.zones]
        adults = sum(zone.adults for zone in operation.zones)
        where = zip(men, operation.zones, strict=True)
        by_zone = ", ".join(f"{n} men in {zone.name}" for n, zone in where)
        out.append(
            f"The load sheet counts {sum(men)} men and {adults - sum(men)} women ({by_zone}); so "
            "many are aboard."
        )
    infants = sum(zone.infants for zone in operation.zones)
    if infants > 0:
        within = operation.load_sheet.basis != "weighed" and operation.load_sheet.infant_mass == 0.0
        counts = " and within the mass of the adults who carry them" if within else ""
        out.append(f"Infants on laps: {infants}, without a seat{counts}.")
    if operation.load_sheet.basis == "weighed":
        out.append(
            "Passengers are weighed: the people of a zone weigh together what the load sheet says, "
            f"but for the scale's error of {100.0 * operation.load_sheet.scale_error:g} %."
        )
    for number, name in enumerate(POPULATIONS):
        weighed = surveyed_kg(operation.mass, number)
        if weighed.size:
            mean, sd = float(weighed.mean()), float(weighed.std(ddof=1))
            error = survey_error_pct(mean, sd=sd, people=weighed.size)
            out.append(
                f"Survey, {name}: {weighed.size} weighed, mean {mean:.1f} kg, SD {sd:.1f} kg; the "
                f"mean is known to {error:.1f} % (95 %; guidance to AMC2 CAT.POL.MAB.100(e))."
            )
    return out


def _cabin_findings(model: FlightModel) -> list[str]:
    """Return what is odd about lavatories and carts, though it can be flown."""
    out = _closed_lavatory(model)
    plan, service = model.plan, model.program.service
    lavatories, low, high = plan.lavatories, plan.arm_m.min(), plan.arm_m.max()
    for name, arm, sign in zip(
        lavatories.name, lavatories.arm_m, lavatories.queue_sign, strict=True
    ):
        if (sign < 0 and arm <= low) or (sign > 0 and arm >= high):
            out.append(f"The queue of {name} leads away from the seats; check queue_toward.")
    for k in range(service.number.size):
        if service.start_s[k] >= service.stow_s[k]:
            out.append(
                f"service.carts[{int(service.number[k])}] starts after the crew is called to "
                "secure the cabin: it stays in its galley."
            )
    return out


def _trim_findings(model: FlightModel) -> list[str]:
    """Return what is left out of trim, and where the plan itself is beyond a stop or a band."""
    out = trim_left_out(model)
    plan, stabilizer = model.take_off, model.scenario.aircraft.stabilizer
    if plan is not None:
        out.append(f"Take-off setting of the load sheet: {plan.set_units:.1f} trim units.")
        band = plan.settings.band
        if band is not None and not band[0] <= plan.set_units <= band[1]:
            out.append("It is outside the take-off trim band: the warning sounds on every flight.")
    if stabilizer is not None:
        for _, row in model.planned_trim.iterrows():
            low, high = float(row["trim_nose_up_deg"]), float(row["trim_nose_down_deg"])
            if low < stabilizer.nose_up_stop or high > stabilizer.nose_down_stop:
                out.append(f"The planned path asks for trim beyond a stop in {row['phase']}.")
    for error in model.scenario.operation.entry_errors:
        try:
            with_entry_error(model, error)
        except UsageError as reason:
            out.append(f"The entry error {error.name!r} cannot happen with this load: {reason}")
    return out


def assumptions_text(scenario: Scenario) -> str:
    """Return all values in use without a published or measured source, with units, one a line."""
    assumed = [entry for entry in assumption_register(scenario) if entry.assumed]
    lines = [
        f"  {entry.key} = {entry.value}"
        f"{f' {entry.unit}' if entry.unit else ''}{'' if entry.given else ' (default)'}"
        for entry in assumed
    ]
    head = f"Assumptions in use ({len(assumed)} values without a published or measured source)"
    return "\n".join([head, *lines])


def check_text(scenario: Scenario) -> str:
    """Return what a checked scenario means: cabin, masses, load sheet, path, assumptions."""
    model = prepare(scenario)
    aircraft, operation = scenario.aircraft, scenario.operation
    tanks = ", ".join(f"{t.name} {1e3 * t.capacity:,.0f} l" for t in aircraft.tanks)
    phases = pd.DataFrame(
        [
            (n, f"{p.minutes:g}", f"{3600 * p.fuel_flow:,.0f}", p.gear, p.flaps or "up")
            for n, p in zip(model.phases, operation.phases, strict=True)
        ],
        columns=["phase", "minutes", "fuel kg/h", "gear at end", "flaps"],
    )
    unused = [f"  {key}: {why}" for key, why in unused_fields()]
    return "\n".join(
        [
            CAUTIONS,
            "",
            f"Aircraft: {aircraft.name}. {aircraft.note}",
            f"Operation: {operation.name}. {operation.note}",
            "",
            "Cabin",
            cabin_text(model.plan),
            *_classes(model),
            "",
            "Masses, planned",
            _masses(model),
            "",
            "Load sheet",
            _table(model.sheet.frame(), {"mass_kg": ",.0f", "arm_m": ".2f", "index": ".1f"}),
            f"  zero-fuel CG {model.sheet.zero_fuel_cg_pct_mac:.1f} % MAC, "
            f"index {model.sheet.zero_fuel_index:.1f}",
            "",
            "Certified limits (% MAC, straight between points, constant beyond)",
            *_envelopes(scenario),
            "",
            f"Fuel: {operation.fuel.block:,.0f} kg at start of taxi; {tanks or 'fuel index table'}",
            *_transfers(scenario),
            phases.to_string(index=False),
            "",
            "Planned CG path (% MAC) and its least margins to the certified and operational limits",
            _path(model),
            "",
            "Findings",
            *(
                f"  {line}"
                for line in (
                    *_findings(model),
                    *_transfer_findings(model),
                    *_people_findings(model),
                    *_cabin_findings(model),
                    *_trim_findings(model),
                )
            ),
            "",
            assumptions_text(scenario),
            "",
            "Read and checked, but not used in this version",
            *unused,
        ]
    )
