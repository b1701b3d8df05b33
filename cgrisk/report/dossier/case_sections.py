"""Cautions, and the aircraft and operation in words, tables and plan."""

from __future__ import annotations

from cgrisk.aircraft import cabin_text
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
from cgrisk.report.dossier.tables import named, number, table_of, words
from cgrisk.report.style import chart_style, new_figure
from cgrisk.risk.summary import CAUTIONS
from cgrisk.risk.trim import trim_left_out
from cgrisk.scenario.registry import unused_fields

__all__ = ["case_section", "cautions_section"]


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
    return Section("cautions", "Cautions", (Text(CAUTIONS, "caution"), Bullets(tuple(lines))))


def _masses(findings: Findings) -> Table:
    model = findings.run.model
    masses, path = model.scenario.aircraft.masses, model.planned
    kinds = [phase.kind for phase in model.scenario.operation.phases]
    rows: list[tuple[str, float, float | None]] = [
        ("dry operating", masses.dry_operating, None),
        ("zero fuel", model.sheet.zero_fuel_mass_kg, masses.max_zero_fuel),
        ("start of taxi", float(path["mass_kg"].iloc[0]), masses.max_taxi),
    ]
    for label, kind, most in (
        ("take-off", "take_off", masses.max_take_off),
        ("landing", "landing", masses.max_landing),
    ):
        if kind in kinds:
            first = path[path["phase"] == model.phases[kinds.index(kind)]].iloc[0]
            rows.append((label, float(first["mass_kg"]), most))
    return Table(
        "Planned masses against their certified maxima",
        columns("mass", "#planned, kg", "#maximum, kg", "#left, kg"),
        tuple(
            (
                Cell(label),
                fixed_cell(mass),
                fixed_cell(most),
                fixed_cell(None if most is None else most - mass),
            )
            for label, mass, most in rows
        ),
    )


def _envelopes(findings: Findings) -> Table:
    rows = []
    for envelope in findings.run.model.scenario.aircraft.envelopes:
        phases = ", ".join(spoken(phase) for phase in envelope.phases)
        for side, points in (("forward", envelope.forward), ("aft", envelope.aft)):
            for mass, pct in points:
                rows.append((Cell(phases), Cell(side), fixed_cell(mass), fixed_cell(pct, 1)))
    return Table(
        "Certified limits: straight between points, constant beyond them",
        columns("2:phases", "side", "#mass, kg", "#limit, % MAC", keys={"side": "side"}),
        tuple(rows),
    )


def _phases(findings: Findings) -> Table:
    model = findings.run.model
    rows = []
    for name, phase in zip(model.phases, model.scenario.operation.phases, strict=True):
        rows.append(
            (
                Cell(spoken(name)),
                fixed_cell(phase.minutes, 1),
                fixed_cell(3600.0 * phase.fuel_flow),
                Cell(phase.gear),
                Cell(phase.flaps or "up"),
                Cell("lit" if phase.sign else "off"),
            )
        )
    return Table(
        "Phases of the planned flight",
        columns("phase", "#minutes", "#fuel, kg/h", "gear at its end", "flaps", "seat-belt sign"),
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
        f"with {operation.fuel.block:,.0f} kg of fuel at the start of taxi. The load sheet says: "
        f"zero-fuel mass {sheet.zero_fuel_mass_kg:,.0f} kg, zero-fuel CG "
        f"{sheet.zero_fuel_cg_pct_mac:.1f} % MAC (index {sheet.zero_fuel_index:.1f})."
    )


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
    plan = findings.run.model.plan
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
                    fixed_cell(plan.arm_m[here].mean(), 2),
                )
            )
    data = Table(
        "Zones of the cabin",
        columns(
            "zone", "rows", "#open seats", "#adults planned", "#children planned",
            "#mean arm of its seats, m",
        ),
        tuple(rows),
    )  # fmt: skip
    return Figure(
        name="cabin-plan",
        caption="The cabin counts in zones: people of one zone stand on the load sheet at one arm, "
        "wherever they sit in it. Heavy lines are the curtains between zones; crossed seats are "
        "blocked.",
        alt="Plan of the cabin from above, front on the left: rows of seats in two shades by zone, "
        "with lavatories and galleys named below. "
        + cabin_text(findings.run.model.plan).replace("\n", "; "),
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
            number("mass_at_least_kg", "at mass, kg"),
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
                number("mass_kg", "mass, kg"),
                number("arm_m", "arm, m", 2),
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
