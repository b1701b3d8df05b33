"""The conventional stack of worst cases in words. Loads no drawing library."""

from __future__ import annotations

import textwrap
from typing import Any

import pandas as pd

from cgrisk.decide.conventional_table import CAUSES, ConventionalBuffers, moment_pct_mac
from cgrisk.risk.summary import CAUTIONS, plain
from cgrisk.scenario.operation_file import OperationalEnvelope

__all__ = ["conventional_answer", "conventional_decision", "conventional_text"]

_SIDES = ("forward", "aft")
_WIDTH = 100
#: Stands under every conventional stack.
_AGREEMENT = (
    "Which buffer is enough is not published anywhere; one below the conventional needs the "
    "authority's agreement."
)


_GROUPS = {"take_off_and_landing": "take-off and landing", "in_flight": "in flight"}


def _name(group: str) -> str:
    return _GROUPS.get(group, group)


def _table_lines(buffers: ConventionalBuffers) -> list[str]:
    places = [(group, side) for group in buffers.groups for side in _SIDES]
    moments = {(x.cause, x.group, x.side): x for x in buffers.lines}
    width = 32
    head = f"{'kg m toward the side':<{width}}"
    lines = [
        " " * width + "".join(f"{_name(group):>24}" for group in buffers.groups),
        head + "".join(f"{side:>12}" for _, side in places),
    ]
    for cause in CAUSES:
        found = [moments.get((cause, *place)) for place in places]
        if all(line is None for line in found):
            continue
        cells = [
            f"{'-':>12}"
            if line is None
            else f"{line.moment_kgm:>12,.0f}"
            if line.counted
            else f"{f'({line.if_counted_kgm:,.0f})':>12}"
            for line in found
        ]
        lines.append(f"  {cause:<{width - 2}}" + "".join(cells))
    return lines


def _total_lines(buffers: ConventionalBuffers, mass_kg: float | None) -> list[str]:
    totals = buffers.totals(mass_kg=mass_kg)
    width = 32
    lines = []
    for name, title in (("straight", "straight sum"), ("rss", "root sum of squares")):
        for unit, suffix, form in (
            ("kg m", "_kgm", ",.0f"),
            ("% MAC", "_pct_mac", ".2f"),
            ("index units", "_index", ".2f"),
        ):
            cells = "".join(f"{value:>12{form}}" for value in totals[name + suffix])
            lines.append(f"{f'{title}, {unit}' if unit == 'kg m' else unit:>{width}}{cells}")
    masses = totals.drop_duplicates("group")
    told = ", ".join(
        f"{row.mass_kg:,.0f} kg {_name(str(row.group))}" for row in masses.itertuples()
    )
    return [
        *lines,
        f"  % MAC at {told}" + ("" if mass_kg is not None else " (the lowest planned masses)"),
        "  The root takes the causes as independent; neither total has a stated probability.",
    ]


def _how_lines(buffers: ConventionalBuffers) -> list[str]:
    lines = ["How each was reckoned (the side and phases where it is largest)"]
    for cause in CAUSES:
        found = [line for line in buffers.lines if line.cause == cause]
        if not found:
            continue
        largest = max(found, key=lambda line: line.if_counted_kgm)
        lines += textwrap.wrap(
            f"{cause}: {largest.how}",
            width=_WIDTH,
            initial_indent="  ",
            subsequent_indent="      ",
        )
    left = "; ".join(f"{cause}: {why.rstrip('.')}" for cause, why in buffers.omitted)
    lines += textwrap.wrap(
        f"Not counted: {left}.", width=_WIDTH, initial_indent="  ", subsequent_indent="      "
    )
    return lines


def _seating_line(buffers: ConventionalBuffers) -> str:
    zones = buffers.zones
    parts = []
    for side in _SIDES:
        here = zones[zones["side"] == side]
        parts.append(
            f"{here['classic_kgm'].sum():,.0f} / {here['state_kgm'].sum():,.0f} / "
            f"{here['extreme_kgm'].sum():,.0f} {side}"
        )
    return (
        "Seating, kg m, by any count / by this load's count / this load's people all at one end "
        f"of each zone: {'; '.join(parts)}. The stack takes the "
        f"{'first' if buffers.reckoning == 'classic' else 'second'}."
    )


def conventional_decision(
    buffers: ConventionalBuffers,
    *,
    envelope: OperationalEnvelope | None,
    mass_kg: float | None = None,
) -> str:
    """Return in one sentence what the stack asks for, and where the operator's falls short.

    Parameters
    ----------
    buffers : ConventionalBuffers
    envelope : OperationalEnvelope or None
        The operator's curtailments of the certified limits, if there are any.
    mass_kg : float, optional
        Mass at which % MAC are told; the lowest planned mass of each group if not given.
    """
    totals = buffers.totals(mass_kg=mass_kg)
    asked: list[str] = []
    short: list[str] = []
    for group in buffers.groups:
        here = totals[totals["group"] == group].set_index("side")["straight_pct_mac"]
        asked.append(f"{_name(group)} {here['forward']:.2f} forward and {here['aft']:.2f} aft")
        taken = None if envelope is None else getattr(envelope, group)
        short += [
            f"{getattr(taken, side):.2f} {side}, {_name(group)}"
            for side in _SIDES
            if taken is not None and getattr(taken, side) < here[side]
        ]
    what = f"Decision: keep, in % MAC from the certified limits, {'; '.join(asked)}"
    if envelope is None:
        return f"{what}: the operation has no operational envelope yet, so state one."
    if not short:
        return f"{what}: the operational envelope keeps as much everywhere, so leave it as it is."
    return (
        f"{what}: the operational envelope keeps only {'; '.join(short)}, so widen it there, or "
        "show the authority why less is enough."
    )


def conventional_text(
    buffers: ConventionalBuffers,
    *,
    name: str,
    envelope: OperationalEnvelope | None,
    mass_kg: float | None = None,
) -> str:
    """Return the stack as a page for a terminal: table, totals, how, decision, cautions.

    Parameters
    ----------
    buffers : ConventionalBuffers
        From :func:`cgrisk.decide.conventional.conventional_buffers`.
    name : str
        Of the scenario.
    envelope : OperationalEnvelope or None
        The operator's curtailments, for the decision.
    mass_kg : float, optional
        Mass at which % MAC are told; the lowest planned mass of each group if not given.

    Raises
    ------
    UsageError
        If the mass is not above 0.
    """
    decision = conventional_decision(buffers, envelope=envelope, mass_kg=mass_kg)
    lines = [
        f"Conventional stack of worst cases, nothing sampled: {name}",
        "",
        *_table_lines(buffers),
        *_total_lines(buffers, mass_kg),
        "",
        *_how_lines(buffers),
        "",
        *textwrap.wrap(_seating_line(buffers), width=_WIDTH),
        "",
        *textwrap.wrap(decision, width=_WIDTH),
        "",
        *textwrap.wrap(_AGREEMENT, width=_WIDTH),
        CAUTIONS,
    ]
    return "\n".join(lines)


def conventional_answer(
    buffers: ConventionalBuffers,
    *,
    envelope: OperationalEnvelope | None,
    mass_kg: float | None = None,
) -> dict[str, Any]:
    """Return the same as plain data for JSON: no NaN, no infinity."""
    table: pd.DataFrame = buffers.table
    at = table["group"].map(
        lambda group: buffers.lowest_mass_kg[group] if mass_kg is None else mass_kg
    )
    table["pct_mac"] = [
        moment_pct_mac(moment, mass_kg=mass, balance=buffers.balance)
        for moment, mass in zip(table["moment_kgm"], at, strict=True)
    ]
    data = {
        "reckoning": buffers.reckoning,
        "lines": table.to_dict("records"),
        "totals": buffers.totals(mass_kg=mass_kg).to_dict("records"),
        "zones": buffers.zones.to_dict("records"),
        "not_counted": [{"cause": cause, "why": why} for cause, why in buffers.omitted],
        "decision": conventional_decision(buffers, envelope=envelope, mass_kg=mass_kg),
        "agreement": _AGREEMENT,
        "cautions": CAUTIONS,
    }
    return {key: plain(value) for key, value in data.items()}
