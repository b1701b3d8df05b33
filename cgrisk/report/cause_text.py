"""Causes of a tail in words and as plain data. Loads no drawing library."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from cgrisk.causes import TailShares
from cgrisk.rare import Study
from cgrisk.report.tail_text import tail_answer
from cgrisk.risk.summary import CAUTIONS, plain

__all__ = ["causes_answer", "causes_text"]

_SHOWN = 8


def causes_text(
    study: Study,
    *,
    variance: pd.DataFrame,
    shares: TailShares | None,
    tables: Mapping[str, pd.DataFrame],
) -> str:
    """Return what makes the risk, as text for a terminal that ends in what to do."""
    score, level = study.question.score, study.inverse.estimate
    lines = [
        f"{score.meaning.format(x='x')}: flights at {level:.2f} {score.unit}, "
        f"risk {study.question.target:g} (seed {study.question.seed})",
        *_variance_lines(variance),
        *_share_lines(shares),
        *_common_lines(tables["in_common"], tables["phases"]),
        *_swing_lines(tables["swings"]),
        *_stress_lines(tables["stress"]),
        "",
        *_decision(shares, tables["swings"]),
        "",
        CAUTIONS,
    ]
    return "\n".join(lines)


def _variance_lines(variance: pd.DataFrame) -> list[str]:
    reason = next((text for text in variance["reason"] if text), "")
    if reason:
        return ["", f"Shares of the variance: {reason}"]
    lines = ["", f"{'Shares of the variance':<26}{'alone':>8}{'in all':>8}{'Shapley':>9}"]
    part = variance[variance["cause"] != "together"]
    for _, row in part.sort_values("shapley", ascending=False).head(_SHOWN).iterrows():
        lines.append(
            f"  {row['cause']:<24}{100 * row['first_order']:>6.1f} %{100 * row['total']:>6.1f} %"
            f"{100 * row['shapley']:>7.1f} % (se {100 * row['shapley_se']:.1f})"
        )
    return lines


def _share_lines(shares: TailShares | None) -> list[str]:
    if shares is None:
        return []
    lines = [
        "",
        f"What makes an excess of {shares.mean:.2f} % MAC ({shares.flights} flights from "
        f"{shares.low:.2f} to {shares.high:.2f}); parts add up",
    ]
    table = shares.table[shares.table["part"] != "residual"]
    order = table["mean_pct_mac"].abs().sort_values(ascending=False).index
    for _, row in table.loc[order].head(_SHOWN).iterrows():
        lines.append(
            f"  {row['part']:<24}{row['mean_pct_mac']:>+7.2f}  {100 * row['share']:>4.0f} %  "
            f"(se {row['standard_error']:.2f})"
        )
    residual = float(shares.table.loc[shares.table["part"] == "residual", "mean_pct_mac"].iloc[0])
    lines.append(f"  residual                {residual:>+7.4f}  (nothing is scaled)")
    return lines


def _common_lines(common: pd.DataFrame, phases: pd.DataFrame) -> list[str]:
    lines = ["", "What the flights above it have in common (shift in standard deviations of all)"]
    for _, row in common.head(_SHOWN).iterrows():
        lines.append(
            f"  {row['meaning']:<52}{row['mean_of_all']:>10.4g} ->{row['mean_above']:>10.4g}"
            f"  {row['shift_in_sd']:+.1f}"
        )
    nearest = phases.dropna().sort_values("share_above", ascending=False).head(3)
    parts = [f"{row['phase']} {100 * row['share_above']:.0f} %" for _, row in nearest.iterrows()]
    return [*lines, f"  nearest to the limit in: {', '.join(parts)}"] if parts else lines


def _swing_lines(swings: pd.DataFrame) -> list[str]:
    if swings.empty:
        return ["", "No input without a source has a range: nothing to swing."]
    lines = ["", "Inputs without a source, one at a time: factor on the risk at the ends"]
    for _, row in swings.head(_SHOWN).iterrows():
        ends = f"{row['low']:.4g} to {row['high']:.4g} {row['unit']}".strip()
        lines.append(
            f"  {row['key'].removeprefix('operation.'):<42}{ends:<26}"
            + (
                f"{row['ratio_at_low']:>7.2f} {row['ratio_at_high']:>7.2f}"
                if math.isfinite(row["swing"])
                else "   not told from no change"
            )
        )
    return lines


def _stress_lines(stress: pd.DataFrame) -> list[str]:
    lines = [
        "",
        f"{'Stress cases':<50}{'at the limit (95 %)':<28}{'factor':>9}",
    ]
    here = stress[stress["where"] == "at the operational limit"]
    for _, row in here.iterrows():
        if row["note"]:
            lines.append(f"  {row['case']}: not possible here: {row['note']}")
            continue
        factor = f"{row['ratio']:.3g}" if math.isfinite(row["ratio"]) else "-"
        risk = f"{row['estimate']:.2g} ({row['low']:.2g} to {row['high']:.2g})"
        if row["estimate"] == 0.0:
            risk = "not told: no flight above it"
        lines.append(f"  {row['case']:<48}{risk:<28}{factor:>9}")
    return lines


def _decision(shares: TailShares | None, swings: pd.DataFrame) -> list[str]:
    lines = []
    if shares is not None:
        causes = shares.table[~shares.table["part"].isin(("residual", "limit and mass"))]
        top = causes.sort_values("mean_pct_mac", ascending=False).iloc[0]
        lines.append(
            f"Decision: the largest part of the excess is {top['part']} "
            f"({100 * top['share']:.0f} %): that is where a restriction or a better count would "
            "buy most."
        )
    told = swings[np.isfinite(swings["swing"])] if not swings.empty else swings
    if not told.empty:
        first = told.iloc[0]
        lines.append(
            f"The least known input that matters most is {first['key']} (up to a factor "
            f"{10 ** first['swing']:.2g}): find a source for it before the answer is used."
        )
    return lines


def causes_answer(
    study: Study,
    *,
    variance: pd.DataFrame,
    shares: TailShares | None,
    tables: Mapping[str, pd.DataFrame],
) -> dict[str, Any]:
    """Return the same as plain data for JSON."""
    data: dict[str, Any] = {
        "tail": tail_answer(study),
        "variance": variance.to_dict("records"),
        **{name: frame.to_dict("records") for name, frame in tables.items()},
    }
    if shares is not None:
        data["tail_shares"] = {
            "level": shares.level,
            "mean": shares.mean,
            "low": shares.low,
            "high": shares.high,
            "flights": shares.flights,
            "parts": shares.table.to_dict("records"),
        }
    data["decision"] = _decision(shares, tables["swings"])
    return {key: plain(value) for key, value in data.items()}
