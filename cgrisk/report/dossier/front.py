"""The first half page: the question, the answer with both its ranges, and what to do next."""

from __future__ import annotations

import math
from typing import Any, Final

from cgrisk.flight import operational_shift
from cgrisk.report.counted import seats_blocked
from cgrisk.report.dossier.commands import asks
from cgrisk.report.dossier.figures import chance, chance_cell, fixed, one_in, range_text
from cgrisk.report.dossier.findings import Findings, Result
from cgrisk.report.dossier.parts import Block, Bullets, Cell, Table, Text, columns
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT

__all__ = ["first_half_page", "tail_row"]

_SIDES: Final = ("aft", "forward")
#: Kinds whose first sentence to act on stands on the front, in this order.
_ACTED_ON: Final = ("buffers", "policies", "loads", "zones")
#: Numbers of passengers of a restriction that the front tells.
_SHOWN: Final = 4
_NAMES: Final = {
    "tail": "Rare events",
    "causes": "Causes",
    "buffers": "Buffers",
    "zones": "Zones",
    "policies": "Policies",
    "restrict": "Restriction",
    "loads": "Past loads",
}


def tail_row(result: Result, threshold: float) -> dict[str, Any]:
    """Return the row of a tail's curve nearest to a planned distance from the limit."""
    curve = result.data["curve"]
    return dict(min(curve, key=lambda row: abs(row["threshold"] - threshold)))


def _tail_of(findings: Findings, side: str) -> Result | None:
    """Return the tail of a side, whole flight; one with an assumption range before others."""
    found = [
        result
        for kind in ("tail", "causes")
        for result in findings.of(kind)
        if result.data["side"] == side
        and result.data["phases"] == "any"
        and result.data["at_operational_limit"] is not None
        and result.data["event"].startswith("envelope")
    ]
    found.sort(key=lambda result: result.data["assumption_draws"] == 0)
    return found[0] if found else None


def _assumed(row: dict[str, Any]) -> str:
    if row.get("assumption_high") is None or not math.isfinite(row["assumption_high"]):
        return ""
    text = range_text(row.get("assumption_low"), row["assumption_high"])
    share = row.get("on_assumptions")
    if share is not None and math.isfinite(share):
        text += f"; {100.0 * share:.0f} % of the risk rests on inputs without a source"
    return text


def _numbers(findings: Findings) -> dict[str, Any]:
    """Return the numbers of the first half page by side."""
    found: dict[str, Any] = {}
    for side in _SIDES:
        keep = ("estimate", "low", "high", "hits", "flights", "confidence", "method")
        sides: dict[str, Any] = {}
        for name, reading in (("at_limit", AT_LIMIT), ("as_planned", AS_PLANNED)):
            row = findings.row(side=side, reading=reading)
            sides[name] = {key: row[key] for key in keep}
        shift = operational_shift(findings.run.model, side=side)
        sides["room_pct_mac"] = shift.offset_pct_mac
        tail = _tail_of(findings, side)
        sides["tail"] = None
        if tail is not None:
            row = tail_row(tail, tail.data["at_operational_limit"])
            names = ("estimate", "low", "high", "assumption_low", "assumption_high")
            sides["tail"] = {
                "folder": tail.folder.name,
                "method": row["method"],
                "target": tail.data["target"],
                "draws": tail.data["assumption_draws"],
                **{name: row.get(name) for name in (*names, "on_assumptions")},
            }
        found[side] = sides
    return found


def _worst_first(numbers: dict[str, Any]) -> list[str]:
    return sorted(_SIDES, key=lambda side: -float(numbers[side]["at_limit"]["high"]))


def _answer_table(findings: Findings, numbers: dict[str, Any]) -> Table:
    rows = []
    for side in _worst_first(numbers):
        here = numbers[side]
        tail = here["tail"]
        assumed = "not reckoned yet"
        if tail is not None:
            told = _assumed(tail)
            without = "not reckoned yet (the tail was made without draws)"
            assumed = told or ("not told" if tail["draws"] else without)
            rare = f"{chance(tail)}, {str(tail['method']).split(',')[0]}"
        else:
            rare = "not reckoned yet"
        rows.append(
            (
                Cell(side),
                chance_cell(here["at_limit"]),
                Cell(rare),
                Cell(assumed),
                chance_cell(here["as_planned"]),
            )
        )
    bare = findings.run.model.scenario.operation.operational_envelope is None
    limit = "certified limit" if bare else "operational limit"
    confidence = float(numbers["aft"]["at_limit"]["confidence"])
    return Table(
        caption=(
            "Probability per flight of leaving the certified envelope, estimate and "
            f"{100.0 * confidence:g} % simulation interval"
        ),
        columns=columns(
            "side",
            f"2:planned on the {limit}, by counting",
            "2:the same, from the tail study",
            "2:assumption range (9 draws in 10)",
            "2:as this load is planned",
        ),
        rows=tuple(rows),
    )


def _missing(findings: Findings, numbers: dict[str, Any]) -> list[Block]:
    """Return what is not reckoned yet, with the commands that add it."""
    sides = [
        side
        for side in _SIDES
        if numbers[side]["tail"] is None or not _assumed(numbers[side]["tail"])
    ]
    if not sides:
        return []
    text = (
        f"Not reckoned yet for {' and '.join(sides)}: the assumption range and the share that "
        "rests on inputs without a source. With P, the risk that you accept, they are added by:"
    )
    commands = "\n".join(asks(findings.run, "tail", side=side) for side in sides)
    return [Text(text, "warning"), Text(commands, "command")]


def _how(findings: Findings, numbers: dict[str, Any]) -> str:
    row = numbers["aft"]["at_limit"]
    precise = findings.run.inputs.precision is not None
    method = "intervals that hold whenever the run stops" if precise else "exact binomial"
    confidence = f"{100.0 * float(row['confidence']):g} %"
    return (
        f"By counting {findings.run.manifest.flown:,} simulated flights, seed "
        f"{findings.run.inputs.seed}; {method}, two-sided, {confidence}. Where no flight was "
        "outside the upper end of that interval is told. Intervals hold one at a time, not "
        "together. They are numerical error alone; the assumption range is what inputs without a "
        "published or measured source may do, and does not shrink with flights."
    )


def _room(numbers: dict[str, Any], limit: str) -> str:
    parts = []
    for side in _SIDES:
        room = float(numbers[side]["room_pct_mac"])
        if room < 0.0:
            parts.append(f"{fixed(-room, 2)} % MAC beyond the {limit} {side}")
        else:
            parts.append(f"{fixed(room, 2)} % MAC from the {limit} {side}")
    return f"This load as planned stands {' and '.join(parts)} (of the zero-fuel CG)."


def _called(findings: Findings, result: Result) -> str:
    """Return what a result is called: its folder only where others are of its kind."""
    several = len(findings.of(result.kind)) > 1
    return _NAMES[result.kind] + (f" ({result.folder.name})" if several else "")


def _restriction(findings: Findings, result: Result) -> str:
    """Return what a search for the least restriction found, in a sentence."""
    found: dict[str, list[str]] = {}
    for row in result.data["answers"]:
        text = "none confirmed"
        if row["status"] == "confirmed":
            text = str(row["restriction"])
            if row["seats_blocked"]:
                text += f" ({seats_blocked(row['seats_blocked'])})"
        found.setdefault(text, []).append(str(row["passengers"]))
    parts = [f"{', '.join(numbers)} aboard, {text}" for text, numbers in found.items()]
    more = f"; and {len(parts) - _SHOWN} more" if len(parts) > _SHOWN else ""
    return (
        f"{_called(findings, result)}, a draft, not approved, for a target of "
        f"{result.data['target']:g}: {'; '.join(parts[:_SHOWN])}{more}."
    )


def _next(findings: Findings) -> list[str]:
    """Return what to do: the sentence to act on of each decision, else what to ask."""
    lines = [_restriction(findings, result) for result in findings.of("restrict")]
    for kind in _ACTED_ON:
        for result in findings.of(kind):
            told = [line for line in result.decision if line.startswith(("Decision", "NOT PROVED"))]
            first = told[:2] if told and told[0].startswith("NOT") else told[:1]
            for line in first or list(result.decision[:1]):
                said = line.strip().removeprefix("Decision: ")
                lines.append(f"{_called(findings, result)}: {said}")
    return lines


def _ask(findings: Findings) -> list[Block]:
    """Return what to ask next where no buffers are there."""
    if findings.of("buffers"):
        return []
    text = (
        "Compare the upper end of the interval at the limit with your own target; there is no "
        "published one. What must come off each side for a target P is told by:"
    )
    return [Text(text), Text(asks(findings.run, "buffers"), "command")]


def _often(row: dict[str, Any]) -> str:
    """Return one in how many flights, to two figures, and the range."""
    middle, least = one_in(float(row["estimate"])), one_in(float(row["high"]))
    most = f"to {one_in(float(row['low']))}" if row["low"] > 0.0 else "or more"
    return f"{middle}; {least} {most}"


def _headline(numbers: dict[str, Any], limit: str) -> str:
    """Return the answer in a sentence, the worse side first."""
    order = _worst_first(numbers)
    parts = []
    for side in order:
        row = numbers[side]["at_limit"]
        text = f"{side} with a probability of {chance(row)} a flight"
        if row["hits"] > 0:
            text += f" (about 1 flight in {_often(row)})"
        tail = numbers[side]["tail"]
        if tail is not None and _assumed(tail):
            text += f", {_assumed(tail).split(';')[0]} over the range of the assumptions"
        parts.append(text)
    own = "; ".join(f"{side} {chance(numbers[side]['as_planned'])}" for side in order)
    return (
        f"A load planned on the {limit} leaves the certified envelope {'; '.join(parts)}. "
        f"This load as planned: {own}."
    )


def first_half_page(findings: Findings) -> tuple[tuple[Block, ...], dict[str, Any]]:
    """Return the blocks of the first half page, and its numbers as plain data."""
    scenario, numbers = findings.run.model.scenario, _numbers(findings)
    bare = scenario.operation.operational_envelope is None
    limit = "certified limit" if bare else "operational limit"
    lines = _next(findings)
    blocks: list[Block] = [
        Text(
            f"How likely is a flight of “{scenario.operation.name}” with “"
            f"{scenario.aircraft.name}” to leave its certified CG envelope, planned on the {limit} "
            "and as this load is planned, and how sure is that?",
            "lead",
        ),
        Text(_headline(numbers, limit), "decision"),
        _answer_table(findings, numbers),
        Text(_how(findings, numbers) + " " + _room(numbers, limit)),
        *_missing(findings, numbers),
        *([Bullets(tuple(lines))] if lines else []),
        *_ask(findings),
    ]
    return tuple(blocks), {"scenario": scenario.name, "sides": numbers}
