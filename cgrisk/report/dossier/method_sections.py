"""Convergence, the method, every alternative tried, how to repeat it."""

from __future__ import annotations

from typing import Any, Final

from cgrisk.report.convergence_chart import convergence
from cgrisk.report.dossier.commands import PLACEHOLDERS, asks, copies, repeats
from cgrisk.report.dossier.drawing import drawn
from cgrisk.report.dossier.figures import chance, power
from cgrisk.report.dossier.findings import Findings, Result
from cgrisk.report.dossier.formulas import FORMULAS
from cgrisk.report.dossier.parts import (
    HASH_SIGNS,
    Block,
    Bullets,
    Cell,
    Figure,
    Heading,
    Mark,
    Section,
    Table,
    Text,
    columns,
)
from cgrisk.report.dossier.tables import (
    probability,
    records_of,
    significant,
    table_of,
    whole,
    words,
)
from cgrisk.report.style import chart_style, new_figure
from cgrisk.risk.convergence import block_agreement, running_estimates
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT

__all__ = [
    "alternatives_section",
    "convergence_section",
    "manifest_section",
    "method_section",
    "missing_section",
]

_TRIED: Final = 60


#: On which flights what was chosen was judged.
_JUDGED: Final = {
    "buffers": "Buffers: the loads that prove the envelope were flown on seeds used for nothing "
    "else, where a proof stands in the section on buffers.",
    "zones": "Zones: boundaries were found by calculation, not chosen among flown divisions; every "
    "division was then flown on the same flights.",
    "policies": "Policies: all were ranked on the same flights, the one chosen among them too, so "
    "that its own risk is told a little too low. Confirm it under another seed.",
    "restrict": "Restriction: a confirmed one was flown again on seeds that the search had not "
    "used.",
}


def convergence_section(findings: Findings) -> Section:
    """Return how the estimate settled, whether blocks agree, and how the tails' methods did."""
    run = findings.run
    confidence = float(findings.leave["confidence"].iloc[0])
    running = running_estimates(run.store, flown=run.manifest.flown, confidence=confidence)
    agreement = block_agreement(run.store, flown=run.manifest.flown)
    reading = AT_LIMIT if (running["reading"] == AT_LIMIT).any() else AS_PLANNED
    frame = running[running["reading"] == reading]
    frame = frame.sort_values("side", key=lambda s: s == "aft", kind="stable", ignore_index=True)
    marks = {
        f"hot-{place}": Mark(
            f"{row['side']}, {row['flights']:,} flights: {chance(row)}", str(row["side"])
        )
        for place, row in enumerate(records_of(frame))
    }
    with chart_style():
        canvas = new_figure(180, 90)
        convergence(frame, ax=canvas.subplots(), marks=True)
        svg = drawn(canvas, name="convergence", marks=marks)
    sixth = frame.groupby("side").cumcount() % 6 == 5
    some = frame[sixth | ~frame["side"].duplicated(keep="last")]
    figure_ = Figure(
        "convergence",
        "How the estimate settled, planned on the operational limit: band, interval for that "
        "number of flights; open triangles, upper bound, no event seen (numbers: below).",
        "Running probability of leaving the envelope of both sides against the flights flown, with "
        "intervals that narrow.",
        svg,
        marks,
        table_of(
            some,
            [
                words("side", "side", key="side"),
                whole("flights", "flights"),
                whole("hits", "outside"),
                probability(),
            ],
            caption="The running estimate",
        ),
    )
    blocks: list[Block] = [
        figure_,
        table_of(
            agreement,
            [
                words("side", "side", key="side"),
                words("reading", "planned", key="reading", weight=1.8),
                whole("blocks", "blocks"),
                whole("hits", "flights outside"),
                significant("statistic", "Pearson's statistic"),
                whole("degrees", "degrees of freedom"),
                significant("p_value", "p-value", 2),
            ],
            caption="Do the blocks of 4,096 flights agree? A p-value near 0 would say that flights "
            "are not independent",
            note="Told from five expected hits a block on.",
        ),
    ]
    precise = _precision(findings)
    if precise:
        blocks.insert(0, Text(precise))
    blocks += _diagnostics(findings)
    return Section("convergence", "Convergence and diagnostics", tuple(blocks))


def _precision(findings: Findings) -> str:
    wanted = findings.run.inputs.precision
    if wanted is None:
        return ""
    reached = findings.run.manifest.reached
    sides = ", ".join(
        f"{side} reached with flight {reached[side]:,}"
        if side in reached
        else f"{side} NOT reached"
        for side in wanted["sides"]
    )
    return (
        f"A precision decided when to stop: a half-width of {100 * wanted['relative_half_width']:g}"
        f" % of the probability at the operational limit ({sides}). The intervals below are those "
        "of a number of flights fixed beforehand."
    )


def _figure(value: float) -> str:
    """Return a count as it is, any other number to three figures."""
    return f"{value:,.0f}" if float(value).is_integer() else power(float(value), 3)


def _diagnostics(findings: Findings) -> list[Block]:
    lines, warnings = [], []
    for result in (*findings.of("tail"), *findings.of("causes")):
        for told in result.data["diagnostics"]:
            parts = [
                f"{key.replace('_', ' ')} {_figure(value)}"
                for key, value in told.items()
                if isinstance(value, int | float) and key != "flights"
            ]
            lines.append(
                f"{result.folder.name}, {told['method']}: {told['flights']:,} flights"
                + (f"; {', '.join(parts)}" if parts else "")
            )
        warnings += [f"{result.folder.name}: {note}" for note in result.data["notes"]]
    blocks: list[Block] = []
    if lines:
        blocks += [Heading("Rare-event methods"), Bullets(tuple(lines))]
    return blocks + [Text(text, "warning") for text in warnings]


def method_section() -> Section:
    """Return how the answer is reckoned."""
    blocks: list[Block] = [
        Text(
            "A flight is a pure function of the scenario and of random words keyed by seed, flight "
            "number, cause and entity (Philox 4x32-10). Passengers are seated, weighed, get up, "
            "queue and walk; carts roll; bags and fuel differ; gear and flaps travel. The CG is "
            "followed exactly from event to event, not on a grid, so that extremes are exact. "
            "Nothing depends on the number of threads or on the order of flights."
        )
    ]
    for text, formula in FORMULAS:
        blocks += [Text(text), formula]
    return Section("method", "Method", tuple(blocks))


def _tried(result: Result) -> Block | None:
    data = result.data
    if result.kind == "zones":
        frame = result.table("divisions")
        names = [f"{row['division']} ({row['rows']})" for row in frame.to_dict("records")]
        return Bullets((f"{result.folder.name}: divisions {'; '.join(names)}.",))
    if result.kind == "policies":
        names = result.table("ranking")["policy"].astype(str).tolist()
        return Bullets((f"{result.folder.name}: policies {'; '.join(names)}.",))
    if result.kind == "restrict":
        frame = result.table("tried")
        shown = frame.head(_TRIED)
        more = "" if len(frame) == len(shown) else f" The first {_TRIED}; tried.csv has all."
        return table_of(
            shown,
            [
                whole("passengers", "passengers"),
                words("restriction", "restriction", weight=2.5),
                whole("seats_blocked", "blocked"),
                words("side", "side", key="side"),
                probability("risk (interval)", estimate="risk"),
                words("outcome", "outcome"),
            ],
            caption=f"Every restriction flown ({result.folder.name}): {len(frame)} lines.{more}",
        )
    if result.kind == "buffers":
        frame = result.table("buffers")
        loads = dict.fromkeys(frame["load"].astype(str)) if "load" in frame else {}
        told = "; ".join(f"({n}) {load.replace('; ', ', ')}" for n, load in enumerate(loads, 1))
        return Bullets(
            (
                f"{result.folder.name}: the load whose CG strays furthest was searched at each "
                f"mass; found: {told}.",
            )
        )
    if result.kind in ("tail", "causes"):
        methods = [f"{d['method']} ({d['flights']:,} flights)" for d in data["diagnostics"]]
        return Bullets((f"{result.folder.name}: flown by {', '.join(methods)}; {data['why']}",))
    return None


def alternatives_section(findings: Findings) -> Section:
    """Return every alternative that was tried."""
    kinds = {result.kind for result in findings.results}
    blocks: list[Block | None] = [
        Bullets(tuple(text for kind, text in _JUDGED.items() if kind in kinds))
        if kinds & _JUDGED.keys()
        else None
    ]
    blocks += [_tried(result) for result in findings.results]
    if not findings.results:
        blocks.append(Text("No search lies beside the run: nothing was chosen among alternatives."))
    return Section("alternatives", "Every alternative tried", tuple(b for b in blocks if b))


def manifest_section(findings: Findings) -> Section:
    """Return what was run with what, and how to repeat it."""
    inputs, manifest = findings.run.inputs, findings.run.manifest
    facts: list[tuple[str, Any]] = [
        ("scenario", findings.run.model.scenario.name),
        ("SHA-256 of the scenario", inputs.scenario_sha256[:HASH_SIGNS]),
        ("seed", str(inputs.seed)),
        ("flights flown", f"{manifest.flown:,}"),
        ("flights asked for", f"{inputs.flights:,}"),
        ("made (UTC)", manifest.created),
        ("cgrisk", inputs.cgrisk_version),
        ("fingerprint of the compiled part", str(inputs.kernel)),
        *sorted(inputs.environment.items()),
        ("files of the run, each with its SHA-256 in the manifest", str(len(manifest.files))),
    ]
    blocks: list[Block] = [
        Text("The run is repeated, bit for bit on one processor type and set of versions, by"),
        Text(repeats(findings.run, "rerun"), "command"),
        Text("This report is made again, to the same bytes, by"),
        Text(repeats(findings.run, "report"), "command"),
        Text(
            "from the folder in which they were typed first. Every file was checked against its "
            f"hash before it was read. Of a hash the first {HASH_SIGNS} signs are shown; "
            "manifest.json, and the seal of a result, hold all."
        ),
        Table(
            "The run",
            columns("fact", "2:value"),
            tuple((Cell(name), Cell(str(value))) for name, value in facts),
        ),
    ]
    if findings.results:
        blocks.append(
            Table(
                "Results beside it, of the same scenario, every file checked",
                columns("folder", "kind", "3:command", "#seed", "cgrisk", "2:SHA-256 of its seal"),
                tuple(
                    (
                        Cell(result.folder.name),
                        Cell(result.kind),
                        Cell(result.command),
                        Cell(str(result.data["manifest"].get("seed", ""))),
                        Cell(str(result.data["manifest"].get("cgrisk", ""))),
                        Cell(result.sha256()[:HASH_SIGNS]),
                    )
                    for result in findings.results
                ),
            )
        )
    return Section("manifest", "Manifest, and how to repeat it", tuple(blocks))


def missing_section(findings: Findings) -> Section:
    """Return what is not in the report, and the command that would add it."""
    run = findings.run
    names = {
        "tail": "rare events, with the assumption range",
        "causes": "what drives the risk, and how far each assumption moves it",
        "buffers": "buffers, with the conventional ones beside",
        "zones": "cabin zones",
        "policies": "seating policies",
        "restrict": "the least restriction",
        "loads": "past loads",
    }
    lines: list[tuple[str, str]] = []
    copied = False
    for kind, what in names.items():
        sides = {result.data.get("side") for result in findings.of(kind)}
        if kind in ("tail", "causes"):
            for side in ("aft", "forward"):
                if side not in sides:
                    lines.append((f"{what}, {side}", asks(run, kind, side=side)))
        elif not findings.of(kind):
            if kind in ("policies", "restrict", "loads") and copies(run) and not copied:
                copied = True
                lines.append(("the shipped case with its policies and loads, once", copies(run)))
            lines.append((what, asks(run, kind)))
    if findings.table("entry_errors").empty:
        lines.append(("errors on the load sheet (another run)", asks(run, "entry")))
    blocks: list[Block] = []
    if lines:
        commands = "\n".join(f"# {what}\n{command}" for what, command in lines)
        blocks += [Text(commands, "command"), Text(PLACEHOLDERS, "note")]
    if findings.left_out:
        blocks += [
            Heading("Folders beside the run that were left out"),
            Bullets(tuple(f"{name}: {why}" for name, why in findings.left_out)),
        ]
    return Section("missing", "What is not in this report", tuple(blocks))
