"""Cautions, and the aircraft and operation in words, tables and plan."""

from __future__ import annotations

from cgrisk.flight import FlightModel
from cgrisk.report.cabin_chart import cabin_zones
from cgrisk.report.dossier.drawing import drawn
from cgrisk.report.dossier.figures import count_cell, fixed_cell, spoken
from cgrisk.report.dossier.findings import Findings
from cgrisk.report.dossier.parts import (
    Block,
    Bullets,
    Cell,
    Figure,
    Heading,
    Section,
    Table,
    Text,
    columns,
    said,
)
from cgrisk.report.dossier.tables import measured, named, number, table_of, words
from cgrisk.report.file_units import FileUnits
from cgrisk.report.planned_masses import planned_masses
from cgrisk.report.style import chart_style, new_figure
from cgrisk.risk.summary import CAUTIONS
from cgrisk.risk.trim import trim_left_out
from cgrisk.scenario.registry import unused_fields

__all__ = ["case_section", "cautions_section", "particulars"]

_BASIS = {
    "by_sex": "The load sheet counts men and women apart, each at a standard mass.",
    "weighed": "Passengers are weighed with their cabin bags.",
}


def cautions_section(findings: Findings) -> Section:
    """Return what must not be overlooked."""
    lines = [
        "The simulation interval is the numerical error of a finite number of flights. What the "
        "inputs assume is not in it: see the assumption register.",
        "A buffer below the conventional one needs the authority's agreement.",
        "There is no published target for leaving a CG envelope; every target here is that of "
        "the one who asked.",
    ]
    for name, text in (
        ("aircraft", findings.run.model.scenario.aircraft.note),
        ("operation", findings.run.model.scenario.operation.note),
    ):
        if text:
            lines.append(f"Note of the {name} file: {text}")
    lines += trim_left_out(findings.run.model)
    if findings.units.system != "kg/m":
        lines.append(
            f"Units are those of the operation file: masses in {findings.units.name('mass')}, "
            f"lengths in “{findings.units.name('length')}”, moments in "
            f"“{findings.units.name('moment')}”. Charts, the assumption register and all CSV files "
            "are in kg and m, as they say."
        )
    return Section("cautions", "Cautions", (Text(CAUTIONS, "caution"), Bullets(tuple(lines))))


def _masses(findings: Findings) -> Table:
    unit, scale = findings.units.name("mass"), findings.units.scale("mass")

    def cell(mass_kg: float | None) -> Cell:
        return fixed_cell(None if mass_kg is None else scale * mass_kg)

    return Table(
        "Planned masses against their certified maxima",
        columns("mass", f"#planned, {unit}", f"#maximum, {unit}", f"#left, {unit}"),
        tuple(
            (
                Cell(mass.label),
                cell(mass.mass_kg),
                cell(mass.most_kg),
                cell(None if mass.most_kg is None else mass.most_kg - mass.mass_kg),
            )
            for mass in planned_masses(findings.run.model)
        ),
    )


def _envelopes(findings: Findings) -> Table:
    rows, units = [], findings.units
    for envelope in findings.run.model.scenario.aircraft.envelopes:
        phases = ", ".join(spoken(phase) for phase in envelope.phases)
        for side, points in (("forward", envelope.forward), ("aft", envelope.aft)):
            for mass, pct in points:
                shown = fixed_cell(units.scale("mass") * mass)
                rows.append((Cell(phases), Cell(side), shown, fixed_cell(pct, 1)))
    return Table(
        "Certified limits: straight between points, constant beyond them",
        columns(
            "2:phases",
            "side",
            f"#mass, {units.name('mass')}",
            "#limit, % MAC",
            keys={"side": "side"},
        ),
        tuple(rows),
    )


def _phases(findings: Findings) -> Table:
    model, units = findings.run.model, findings.units
    rows = []
    for name, phase in zip(model.phases, model.scenario.operation.phases, strict=True):
        rows.append(
            (
                Cell(spoken(name)),
                fixed_cell(phase.minutes, 1),
                fixed_cell(units.scale("flow") * phase.fuel_flow),
                Cell(phase.gear),
                Cell(phase.flaps or "up"),
                Cell("lit" if phase.sign else "off"),
            )
        )
    return Table(
        "Phases of the planned flight",
        columns(
            "phase",
            "#minutes",
            f"#fuel, {units.name('flow')}",
            "gear at its end",
            "flaps",
            "seat-belt sign",
        ),
        tuple(rows),
    )


def _words(findings: Findings) -> str:
    model = findings.run.model
    operation = model.scenario.operation
    aboard = sum(zone.adults + zone.children for zone in operation.zones)
    blocked = int(model.plan.blocked.sum())
    minutes = sum(phase.minutes for phase in operation.phases)
    seats = f"{model.plan.seats} seats" + (f", {blocked} of them blocked" if blocked else "")
    sheet = model.sheet
    return (
        f"The aircraft, “{model.scenario.aircraft.name}”, has {seats}; {aboard} passengers "
        f"are planned, seated by the rule “{operation.seating.rule.replace('_', ' ')}”, parties "
        f"{operation.seating.parties}. The flight “{operation.name}” takes {minutes / 60.0:.1f} h "
        f"with {findings.units.mass(operation.fuel.block)} of fuel at the start of taxi. The "
        f"load sheet says: zero-fuel mass {findings.units.mass(sheet.zero_fuel_mass_kg)}, "
        f"zero-fuel CG {sheet.zero_fuel_cg_pct_mac:.1f} % MAC (index {sheet.zero_fuel_index:.1f})."
        + "".join(f" {sentence}" for sentence in particulars(model, units=findings.units))
    )


def particulars(model: FlightModel, *, units: FileUnits) -> list[str]:
    """Return what not every case has, a sentence each: infants, basis, season, classes, fuel."""
    operation, plan = model.scenario.operation, model.plan
    infants = sum(zone.infants for zone in operation.zones)
    out = [f"Infants on laps: {infants}."] if infants else []
    if operation.load_sheet.basis in _BASIS:
        out.append(_BASIS[operation.load_sheet.basis])
    if operation.mass.season != "all_year":
        out.append(f"The passengers are those of the {operation.mass.season}.")
    if len(plan.classes) > 1:
        seats = [int((plan.class_index == number).sum()) for number in range(len(plan.classes))]
        each = zip(plan.classes, seats, strict=True)
        out.append(f"Classes: {', '.join(f'{name}, {n} seats' for name, n in each)}.")
    out += [
        f"Fuel is moved in flight, “{transfer.name}”: from {', '.join(transfer.from_tanks)} to "
        f"{', '.join(transfer.to_tanks)} at {units.mass(transfer.at_fuel)} aboard, late "
        f"by {transfer.late_mean:g} min on the mean, stuck with a chance of {transfer.stuck:g}."
        for transfer in model.scenario.aircraft.fuel_transfers
    ]
    return out


def _curtailments(findings: Findings) -> str:
    envelope = findings.run.model.scenario.operation.operational_envelope
    if envelope is None:
        return (
            "The operation states no operational envelope: the planned path is held against the "
            "certified limits."
        )
    parts = []
    for name, group in (
        ("in take-off and landing", envelope.take_off_and_landing),
        ("in flight", envelope.in_flight),
    ):
        parts.append(f"{group.forward:g} % MAC forward and {group.aft:g} % MAC aft {name}")
    return f"The operational envelope stands inside the certified one by {'; '.join(parts)}."


def _plan(findings: Findings) -> Figure:
    plan, units = findings.run.model.plan, findings.units
    told = []
    with chart_style():
        canvas = new_figure(180, 58)
        cabin_zones(plan, ax=canvas.subplots())
        svg = drawn(canvas, name="cabin-plan")
    rows = []
    for number_, name in enumerate(plan.zones):
        here = plan.zone == number_
        if here.any():
            zone = findings.run.model.scenario.operation.zones[number_]
            rows.append(
                (
                    Cell(name),
                    Cell(zone.rows),
                    count_cell((here & ~plan.blocked).sum()),
                    count_cell(zone.adults),
                    count_cell(zone.children),
                    fixed_cell(units.scale("length") * plan.arm_m[here].mean(), 2),
                )
            )
            told.append(f"zone {name}, rows {zone.rows}, {int(here.sum())} seats")
    data = Table(
        "Zones of the cabin",
        columns(
            "zone", "rows", "#open seats", "#adults planned", "#children planned",
            f"#mean arm of its seats, {units.name('length')}",
        ),
        tuple(rows),
    )  # fmt: skip
    return Figure(
        name="cabin-plan",
        caption="The cabin counts in zones: people of one zone stand on the load sheet at one arm, "
        "wherever they sit in it. Heavy lines are the curtains between zones; crossed seats are "
        "blocked.",
        alt="Plan of the cabin from above, front on the left: rows of seats in two shades by zone, "
        f"with lavatories and galleys named below: {'; '.join(told)}.",
        svg=svg,
        data=data,
    )


def _margins(findings: Findings) -> Table:
    frame = findings.table("planned_margins")
    return table_of(
        frame,
        [
            named("phase", "phase", key="phase"),
            words("side", "side", key="side"),
            number("margin_pct_mac", "least margin, % MAC", 2, signed=True),
            number("time_of_least_s", "at, min from taxi", 1, scale=1.0 / 60.0),
            measured("mass_at_least_kg", "at mass", "mass", findings.units),
        ],
        caption="Least margin of the planned path to the certified limits",
    )


def case_section(findings: Findings) -> Section:
    """Return the aircraft and the operation."""
    unused = [f"{key}: {why}" for key, why in unused_fields()]
    sheet = findings.table("load_sheet")
    blocks: list[Block] = [
        *said(_words(findings), _curtailments(findings)),
        _plan(findings),
        _masses(findings),
        table_of(
            sheet,
            [
                words("label", "line", weight=2.0),
                measured("mass_kg", "mass", "mass", findings.units),
                measured("arm_m", "arm", "length", findings.units, digits=2),
                number("index", "index", 1, signed=True),
            ],
            caption="The load sheet",
        ),
        _envelopes(findings),
        _phases(findings),
        _margins(findings),
        Heading("Read and checked, but not used in this version"),
        Bullets(tuple(unused)),
    ]
    return Section("case", "Aircraft and operation", tuple(blocks))
