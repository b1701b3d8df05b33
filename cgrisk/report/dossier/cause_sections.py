"""How rare it is, and what drives it: tails, shares of causes, swings of assumptions."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd

from cgrisk.report.dossier.decision_sections import head_of, result_figure
from cgrisk.report.dossier.figures import fixed, spoken
from cgrisk.report.dossier.findings import Findings, Result
from cgrisk.report.dossier.parts import Block, Heading, Section, Text
from cgrisk.report.dossier.run_sections import run_figure
from cgrisk.report.dossier.tables import (
    Field,
    named,
    number,
    percent,
    probability,
    significant,
    span,
    table_of,
    words,
)
from cgrisk.report.tail_text import levels_text

__all__ = ["causes_section", "tail_section"]


#: Inputs that move the risk by less (on its logarithm) stand in the register alone.
_LEAST: Final = 0.02


def _curve(result: Result) -> pd.DataFrame:
    """Return the curve about once a decade, with the two planned points among them."""
    curve = result.table("curve")
    data = result.data
    wanted = [data["as_planned"], data["at_operational_limit"]]
    places = {int((curve["threshold"] - t).abs().to_numpy().argmin()) for t in wanted if t}
    some = curve[curve["estimate"] > 0.0]
    if not some.empty:
        deepest = float(some["estimate"].min())
        for p in 10.0 ** -np.arange(1, math.ceil(-math.log10(deepest)) + 1):
            place = (np.log(some["estimate"] / p)).abs().to_numpy().argmin()
            places.add(int(some.index[int(place)]))
    return curve.loc[sorted(places)]


def _planned(threshold: float, result: Result) -> str:
    data = result.data
    for key, text in (("as_planned", "as planned"), ("at_operational_limit", "on the limit")):
        if data[key] is not None and abs(threshold - data[key]) < 1e-9:
            return text
    return ""


def _tail(result: Result) -> list[Block]:
    data = result.data
    curve = _curve(result)
    curve = curve.assign(
        where=[_planned(t, result) for t in curve["threshold"]],
        method=[str(m).split(",")[0] for m in curve["method"]],
    )
    range_: list[Field] = []
    if "assumption_high" in curve:
        range_ = [
            span("assumption range", low="assumption_low", high="assumption_high"),
            percent("on_assumptions", "rests on them, %"),
        ]
    meaning = str(data["meaning"])
    asked = (
        f"{meaning[:1].upper()}{meaning[1:]}; {spoken(data['phases'])}. {data['flights']:,} "
        f"flights, seed {data['seed']}; method: {data['why']}"
    )
    return [
        *head_of(result, asked),
        result_figure(
            result,
            "tail",
            numbers="curve",
            caption="How the risk falls with the planned distance from the limit, with the "
            "simulation interval and the assumption range",
            alt="Probability per flight against the planned distance from the limit on a "
            "logarithmic scale, with both ranges and the target.",
        ),
        table_of(
            curve,
            [
                number("threshold", f"planned distance, {data['unit']}", 2),
                words("where", "where"),
                probability("risk (simulation interval)"),
                *range_,
                words("method", "method", weight=1.3),
            ],
            caption="The same in figures",
            note=levels_text(confidence=data["confidence"], draws=data["assumption_draws"]),
        ),
    ]


def tail_section(findings: Findings) -> Section:
    """Return how rare leaving the envelope is, down to the rarest."""
    blocks: list[Block] = []
    for result in findings.of("tail"):
        data = result.data
        blocks += [
            Heading(f"{data['side']}, {spoken(data['phases'])}: {result.folder.name}"),
            *_tail(result),
        ]
    return Section("tail", "How rare it is", tuple(blocks))


def _causes(result: Result) -> list[Block]:
    data = result.data
    swings, stress = result.table("swings"), result.table("stress")
    variance, shares = result.table("variance"), result.table("tail_shares")
    common = result.table("in_common")
    level = data["threshold_at_target"]["estimate"]
    told = "nowhere" if level is None else f"{fixed(level, 2)} {data['unit']} from the limit"
    blocks: list[Block] = [
        *head_of(
            result,
            f"Flights {told}, at a risk of {data['target']:g}; {data['side']}, "
            f"{spoken(data['phases'])}.",
        ),
    ]
    if result.has("swings.svg"):
        blocks.append(
            result_figure(
                result,
                "swings",
                numbers="swings",
                caption="What nobody has published and moves the answer most: factor on the risk "
                "at the ends of each input's range, one at a time",
                alt="Bars of the factor on the risk at the low and high end of each input without "
                "a source.",
            )
        )
    if not swings.empty:
        ratios = swings[["ratio_at_low", "ratio_at_high"]].apply(np.log)
        moves = ~(ratios.abs().max(axis=1) < _LEAST)  # those that could not be told stay
        still = len(swings) - int(moves.sum())
        blocks.append(
            table_of(
                swings[moves],
                [
                    words("key", "input without a source", weight=3.0),
                    significant("low", "low"),
                    significant("high", "high"),
                    words("unit", "unit"),
                    number("ratio_at_low", "risk times, at low", 2),
                    number("ratio_at_high", "at high", 2),
                    words("method", "method", weight=2.5),
                ],
                caption="Sensitivity: what each input without a source does alone",
                note=f"{still} more move it by less than {100 * _LEAST:.0f} % either way; the "
                "assumption register has them all."
                if still
                else "",
            )
        )
    if not shares.empty:
        blocks += [
            result_figure(
                result,
                "tail_shares",
                numbers="tail_shares",
                caption="What makes a flight come that near: mean contribution of each cause",
                alt="Bars of the mean contribution of each cause to the excess, with errors.",
            ),
            table_of(
                shares,
                [
                    words("part", "cause"),
                    number("mean_pct_mac", "mean contribution, % MAC", 3, signed=True),
                    number("standard_error", "standard error", 3),
                    percent("share", "share, %"),
                ],
                caption="Mean contributions to the excess; they add up",
            ),
        ]
    if not variance.empty:
        blocks += [
            result_figure(
                result,
                "variance",
                numbers="variance",
                caption="Shares of the variance by cause: alone, in all, and Shapley's",
                alt="Bars of first-order, total and Shapley shares of the variance by cause.",
            ),
            table_of(
                variance,
                [
                    words("cause", "cause"),
                    percent("first_order", "alone, %", 1),
                    percent("total", "in all, %", 1),
                    percent("shapley", "Shapley, %", 1),
                    percent("shapley_se", "its standard error, %", 1),
                ],
                caption="Shares of the variance",
            ),
        ]
    phases = pd.DataFrame(data["in_phases"])
    if not phases.empty:
        blocks.append(
            table_of(
                phases,
                [
                    named("phase", "phase", key="phase"),
                    percent("share_of_all", "of all flights, %", 1),
                    percent("share_above", "of those that come that near, %", 1),
                ],
                caption="In which phase flights come nearest to the limit",
            )
        )
    if not stress.empty:
        here = stress[stress["where"] == "at the operational limit"]
        blocks.append(
            table_of(
                here,
                [
                    words("case", "stress case", weight=2.2),
                    probability("risk on the limit (interval)"),
                    number("ratio", "times", 2),
                    words("note", "note", weight=1.5),
                ],
                caption="Stress cases on the same random numbers, planned on the operational limit",
            )
        )
    if not common.empty:
        blocks.append(
            table_of(
                common.head(10),
                [
                    words("meaning", "figure", weight=3.0),
                    significant("mean_of_all", "mean of all flights"),
                    significant("mean_above", "of those above"),
                    number("shift_in_sd", "shift, SD", 1, signed=True),
                ],
                caption="What the flights that come that near have in common",
            )
        )
    return blocks


def causes_section(findings: Findings) -> Section:
    """Return what drives the CG, from the run, and what drives the risk, from causes results."""
    causes, frozen = findings.table("causes"), findings.table("causes_frozen")
    blocks: list[Block | None] = [
        Text(
            "Of the run: the spread of the CG error, not yet of the risk. What drives the risk "
            + ("stands below." if findings.of("causes") else "is told by “cgrisk causes”.")
        ),
        run_figure(
            findings,
            "causes",
            caption="What makes the CG error at take-off: mean and spread by cause",
            alt="Bars of the standard deviation of the CG error at take-off by cause.",
        ),
        table_of(
            causes,
            [
                words("cause", "cause"),
                number("mean_pct_mac", "mean, % MAC", 3, signed=True),
                number("sd_pct_mac", "standard deviation, % MAC", 3),
                percent("share_of_variance", "share of the variance, %", 1),
            ],
            caption="The CG error at take-off by cause",
        ),
        run_figure(
            findings,
            "causes_frozen",
            caption="What makes the largest CG errors: variance that goes away when a cause is "
            "frozen",
            alt="Bars of plain shares and of joint effects by cause for four answers.",
            data=table_of(
                frozen,
                [
                    named("answer", "answer", weight=2.5),
                    words("cause", "cause"),
                    percent("share", "plain share, %", 1),
                    percent("standard_error", "standard error, %", 1),
                ],
                caption="Plain shares of the variance of the largest CG errors",
            ),
        ),
    ]
    for result in findings.of("causes"):
        blocks.append(Heading(f"{result.data['side']}: {result.folder.name}"))
        blocks += _causes(result)
    return Section("sensitivity", "What drives it", tuple(b for b in blocks if b))
