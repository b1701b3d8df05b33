"""Buffers with the conventional ones beside, what they are made of, and their proof."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pandas as pd

from cgrisk.report.dossier.decision_sections import head_of, result_figure, title_of
from cgrisk.report.dossier.figures import fixed, spoken
from cgrisk.report.dossier.findings import Findings, Result
from cgrisk.report.dossier.parts import Block, Cell, Section, Table, Text, columns
from cgrisk.report.dossier.tables import (
    Field,
    measured,
    named,
    number,
    probability,
    table_of,
    whole,
    words,
)
from cgrisk.report.file_units import FileUnits

__all__ = ["buffers_section"]

_BESIDE: Final = {
    "sampled": "sampled, as asked for",
    "straight": "conventional, straight sum",
    "root_squares": "conventional, root of squares",
    "in_use": "curtailment in use",
}


def _made_of(
    buffers: pd.DataFrame, causes: pd.DataFrame, zones: pd.DataFrame, units: FileUnits
) -> list[Block]:
    """Return the parts of the largest buffer of each side and group of phases, side by side."""
    if causes.empty:
        return []
    order = buffers.groupby(["side", "group"], sort=False)["buffer_kgm"].idxmax()
    largest = buffers.loc[order]
    places = list(zip(largest["side"], largest["group"], largest["mass_kg"], strict=True))
    scale = units.scale("moment")

    def cells(frame: pd.DataFrame, part: str) -> list[Cell]:
        found = []
        for side, group, mass in places:
            here = frame[
                (frame["side"] == side) & (frame["group"] == group) & (frame["mass_kg"] == mass)
            ]
            row = here[here["part"] == part]
            if row.empty:
                found.append(Cell("–"))
                continue
            moment = scale * float(row["moment_kgm"].iloc[0])
            error = scale * float(row["standard_error_kgm"].iloc[0])
            text = fixed(moment, signed=True) + (f" ± {fixed(error)}" if error > 0.0 else "")
            found.append(Cell(text, moment))
        return found

    def table(frame: pd.DataFrame, parts: list[str], what: str, caption: str) -> Table:
        heads = [f"#{side}, {spoken(group)}, at {units.mass(mass)}" for side, group, mass in places]
        rows = [(Cell(part), *cells(frame, part)) for part in parts]
        return Table(caption, columns(f"2:{what}", *heads), tuple(rows))

    seen = causes[causes["moment_kgm"].abs() >= 0.5]["part"].astype(str)
    unit = units.name("moment")
    of = "the largest buffer of each side and group of phases"
    made = table(
        causes,
        list(dict.fromkeys(seen)),
        "cause",
        f"What {of} is made of, {unit}, ± one standard error (other masses: by_cause.csv)",
    )
    wholes = scale * largest["buffer_kgm"]
    whole_row = (Cell("the whole"), *(Cell(fixed(w, signed=True), float(w)) for w in wholes))
    out: list[Block] = [replace(made, rows=(*made.rows, whole_row))]
    own = set(causes["part"].astype(str))
    names = [part for part in dict.fromkeys(zones.get("part", ())) if str(part) not in own]
    if names:
        out.append(
            table(
                zones,
                [str(name) for name in names],
                "cabin zone",
                f"What the passengers of each zone put into {of}, {unit} (other masses: "
                "by_zone.csv)",
            )
        )
    return out


def _buffers(result: Result, units: FileUnits) -> list[Block]:
    data = result.data
    buffers, beside = result.table("buffers"), result.table("beside")
    causes, zones = result.table("by_cause"), result.table("by_zone")
    proof = result.table("proof")
    beside = beside.assign(kind=[_BESIDE.get(kind, kind) for kind in beside["kind"]])
    asked = (
        f"Asked for: a risk of {data['risk']:g} a flight"
        f"{' in total' if data['in_total'] else ', each side and group of phases by itself'}, at "
        f"{100 * data['confidence']:g} % confidence"
        f"{' (all bounds together)' if data['together'] else ' (each bound by itself)'}; "
        f"{data['flights']:,} flights, seed {data['seed']}."
    )
    place: list[Field] = [
        words("side", "side", key="side"),
        named("group", "phases", weight=1.6),
        measured("mass_kg", "zero-fuel mass", "mass", units),
    ]
    blocks: list[Block] = [
        *head_of(result, asked),
        table_of(
            buffers,
            [
                *place,
                measured("estimate_kgm", "quantile", "moment", units),
                measured("simulation_kgm", "simulation adds", "moment", units),
                measured("assumptions_kgm", "assumptions add", "moment", units),
                measured("buffer_kgm", "buffer", "moment", units),
                number("buffer_pct_mac", "buffer, % MAC", 2),
            ],
            caption="What must come off each side of the certified envelope, by mass",
            note=str(data.get("confidence_covers", "")),
        ),
        table_of(
            beside,
            [
                *place,
                words("kind", "buffer", weight=2.2),
                measured("moment_kgm", "", "moment", units),
                probability(
                    "risk that it leaves (interval)",
                    estimate="risk",
                    low="risk_low",
                    high="risk_high",
                ),
            ],
            caption="The conventional buffers beside it, and the risk that each really leaves",
            note="Neither conventional total has a stated probability. Assumptions as the "
            "scenario has them.",
        ),
    ]
    for stem in result.files:
        if stem.startswith("buffer_") and stem.endswith(".svg"):
            stem_ = stem.removesuffix(".svg")
            side, _, group = stem_.removeprefix("buffer_").partition("_")
            blocks.append(
                result_figure(
                    result,
                    stem_,
                    numbers="conventional, by_cause",
                    caption=f"What makes the buffer {side}, {spoken(group)}: the conventional "
                    "stack of the same causes beside the sampled buffer",
                    alt=f"Stacked bars of the buffer {side}, {spoken(group)}, by cause: straight "
                    "sum, root of squares, and sampled.",
                )
            )
    if result.has("envelope.svg"):
        blocks.append(
            result_figure(
                result,
                "envelope",
                numbers="envelope_chart",
                caption="The operational envelope that these buffers make, inside the certified "
                "one",
                alt="Limits against mass for zero-fuel, take-off and landing mass: certified, new "
                "and in use.",
            )
        )
    blocks += _made_of(buffers, causes, zones, units)
    if not proof.empty:
        blocks.append(
            table_of(
                proof,
                [
                    words("kind", "load"),
                    words("edge", "planned on", weight=1.8),
                    *place[:2],
                    measured("mass_kg", "mass", "mass", units),
                    whole("passengers", "aboard"),
                    probability("risk (interval)"),
                    words("over", "over the accepted one"),
                ],
                caption="Proof: loads flown on the very edge of the new envelope, on fresh seeds",
            )
        )
    else:
        blocks.append(Text("Not proved: no loads were flown on the envelope's edge.", "warning"))
    return blocks


def buffers_section(findings: Findings) -> Section | None:
    """Return the buffers with the conventional ones beside."""
    blocks: list[Block] = []
    for result in findings.of("buffers"):
        blocks += [*title_of(result, findings), *_buffers(result, findings.units)]
    return Section("buffers", "Buffers and the operational envelope", tuple(blocks))
