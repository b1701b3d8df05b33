"""Zones, policies, restrictions and past loads, as decided beside the run."""

from __future__ import annotations

import hashlib

from cgrisk.report.dossier.drawing import clean_svg
from cgrisk.report.dossier.figures import chance, spoken
from cgrisk.report.dossier.findings import Findings, Result
from cgrisk.report.dossier.parts import HASH_SIGNS, Block, Bullets, Figure, Heading, Section, Text
from cgrisk.report.dossier.tables import (
    interval,
    measured,
    number,
    probability,
    significant,
    table_of,
    whole,
    words,
)

__all__ = [
    "head_of",
    "loads_section",
    "policies_section",
    "restriction_section",
    "result_figure",
    "title_of",
    "zones_section",
]


def head_of(result: Result, *more: str) -> tuple[Block, ...]:
    """Return whose results follow: the folder, what was asked, and what to do about them."""
    name = f"From {result.folder.name} ({result.command or 'command not recorded'})."
    lines = [line.strip() for line in result.decision]
    return (
        Text(" ".join([name, *more]), "note"),
        Bullets(tuple(lines)) if lines else Text("No decision was written."),
    )


def result_figure(result: Result, stem: str, *, numbers: str, caption: str, alt: str) -> Block:
    """Return a chart of a result as it was drawn."""
    name = f"{result.kind}-{result.folder.name}-{stem}"
    plain = "".join(c if c.isalnum() and c.isascii() else "-" for c in name)
    if plain != name:  # others may become the same
        plain += f"-{hashlib.sha256(name.encode()).hexdigest()[:HASH_SIGNS]}"
    svg = clean_svg(result.drawing(stem), name=plain, shown=str(result.folder / f"{stem}.svg"))
    return Figure(plain, f"{caption} (numbers: {numbers}.csv)", alt, svg)


def title_of(result: Result, findings: Findings) -> tuple[Block, ...]:
    """Return a heading where there are several results of a kind."""
    several = len(findings.of(result.kind)) > 1
    return (Heading(f"{result.folder.name}"),) if several else ()


def zones_section(findings: Findings) -> Section | None:
    """Return where the curtains should stand."""
    units = findings.units
    blocks: list[Block] = []
    for result in findings.of("zones"):
        data = result.data
        least = "seating variance" if data["objective"] == "variance" else "conventional sum"
        asked = (
            f"Divisions of least {least}, each flown on {data['flights']:,} flights, seed "
            f"{data['seed']}; excesses at {data['level']:g} a side, where "
            "divisions are compared: no target."
        )
        blocks += [
            *title_of(result, findings),
            *head_of(result, asked),
            result_figure(
                result,
                "cabin",
                numbers="divisions, arms",
                caption="Where the curtains should stand, by the number of zones; the last plan is "
                "that of now",
                alt="Plans of the cabin from above, one for each number of zones, with curtains "
                "and passengers by zone.",
            ),
            result_figure(
                result,
                "trade_off",
                numbers="divisions, steps",
                caption="What more curtains bring: less seating error, smaller buffers, more room",
                alt="Three charts against the number of zones: seating deviation, buffer a side, "
                "usable width, each with intervals.",
            ),
            table_of(
                result.table("divisions"),
                [
                    words("division", "division"),
                    words("boundaries", "curtains after rows", weight=1.8),
                    measured("seating_sd_random_kgm", "seating SD, at random", "moment", units),
                    measured("seating_sd_sampled_kgm", "sampled", "moment", units),
                    measured("seating_sd_sampled_se_kgm", "its standard error", "moment", units),
                    measured("conventional_kgm", "conventional a side", "moment", units),
                    interval(
                        "excess forward, % MAC",
                        2,
                        estimate="excess_forward_estimate_pct_mac",
                        low="excess_forward_low_pct_mac",
                        high="excess_forward_high_pct_mac",
                    ),
                    interval(
                        "excess aft, % MAC",
                        2,
                        estimate="excess_aft_estimate_pct_mac",
                        low="excess_aft_low_pct_mac",
                        high="excess_aft_high_pct_mac",
                    ),
                    number("usable_width_pct_mac", "usable, % MAC", 2),
                ],
                caption="Every division tried",
            ),
        ]
    return Section("zones", "Cabin zones", tuple(blocks))


def policies_section(findings: Findings) -> Section | None:
    """Return the seating policies, ranked."""
    blocks: list[Block] = []
    charts = (
        (
            "risk",
            "policies",
            "Risk by number of passengers and policy, each side; the next chart has the intervals",
        ),
        ("risk_by_policy", "policies", "Each policy by itself, the others in grey behind it"),
        ("pareto", "ranking", "Risk against seats: what lies lowest and leftmost is best"),
        ("heat_map", "policies", "Which policy meets the target at which number of passengers"),
    )
    for result in findings.of("policies"):
        data, ranking = result.data, result.table("ranking")
        numbers = data["passengers"]
        asked = (
            f"{numbers[0]} to {numbers[-1]} passengers, {len(numbers)} numbers; target "
            f"{data['target']:g} a flight and side, of the one who asked; {data['flights']:,} "
            f"flights, seed {data['seed']}, common random numbers. Demand: {data['demand']}."
        )
        blocks += [
            *title_of(result, findings),
            *head_of(result, asked),
            table_of(
                ranking,
                [
                    whole("rank", "rank"),
                    words("policy", "policy", weight=1.5),
                    words("verdict", "verdict"),
                    probability("mean risk (interval)", estimate="risk"),
                    words("side", "worse side", key="side"),
                    significant("worst_risk", "worst", 2),
                    whole("worst_passengers", "at passengers"),
                    number("seats_blocked", "seats blocked", 1),
                    number("turned_away", "turned away a flight", 2),
                ],
                caption="Policies ranked: those that meet the target by cost, the others by risk",
            ),
            Bullets(
                tuple(f"{row['policy']}: {row['meaning']}" for row in ranking.to_dict("records"))
            ),
        ]
        for stem, table, caption in charts:
            if result.has(f"{stem}.svg"):
                blocks.append(
                    result_figure(
                        result, stem, numbers=table, caption=caption, alt=f"Chart: {caption}."
                    )
                )
    return Section("policies", "Seating policies", tuple(blocks))


def restriction_section(findings: Findings) -> Section | None:
    """Return the least restriction found, as a draft."""
    units = findings.units
    blocks: list[Block] = []
    for result in findings.of("restrict"):
        data = result.data
        asked = (
            f"Least restriction under {data['target']:g} a flight and side, "
            f"{data['reading']}, with {100 * data['confidence']:g} % confidence; base "
            f"“{data['base']}”; families: {', '.join(data['families']) or 'none'}."
        )
        draft = result.text("draft.txt").strip()
        blocks += [
            *title_of(result, findings),
            *head_of(result, asked),
            Text(draft, "command"),
            table_of(
                result.table("restriction"),
                [
                    whole("passengers", "passengers"),
                    words("status", "status"),
                    words("restriction", "restriction", weight=2.5),
                    whole("seats_blocked", "blocked"),
                    measured("moved_kg", "hold load moved", "mass", units),
                    words("side", "worse side", key="side"),
                    probability("risk (interval)", estimate="risk"),
                    significant("confirmed_high", "confirmed: at most", 2),
                ],
                caption="The least restriction by number of passengers",
            ),
            result_figure(
                result,
                "restriction",
                numbers="restriction",
                caption="Seats the least restriction costs, and the risk it leaves",
                alt="Seats blocked and risk with intervals against the number of passengers.",
            ),
        ]
    return Section("restriction", "Least restriction", tuple(blocks))


def loads_section(findings: Findings) -> Section | None:
    """Return what becomes of past loads."""
    blocks: list[Block] = []
    for result in findings.of("loads"):
        data = result.data
        refused = ", ".join(
            f"{count} by the {name} envelope" for name, count in data["refused"].items()
        )
        asked = (
            f"{data['loads_in_all']} past loads ({data['different_loads']} different); refused: "
            f"{refused}."
        )
        blocks += [
            *title_of(result, findings),
            *head_of(result, asked),
            result_figure(
                result,
                "loads",
                numbers="loads",
                caption="Past loads against the envelope they are judged by; refused ones point to "
                "the side where they are outside",
                alt="Past loads as points of mass and CG inside the certified and operational "
                "limits.",
            ),
        ]
        if "mixes" in data:
            lines = []
            for name, mix in data["mixes"].items():
                either = mix["either_side"]
                lines.append(f"{spoken(name)}: {chance(either)} on either side")
            blocks += [Heading("Risk per flight over the mix of loads"), Bullets(tuple(lines))]
    return Section("loads", "Past loads", tuple(blocks))
