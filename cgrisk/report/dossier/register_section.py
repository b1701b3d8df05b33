"""The register of inputs: value, unit, source, and how far each moves the risk."""

from __future__ import annotations

import math
import re
from typing import Final

from cgrisk.report.dossier.commands import asks
from cgrisk.report.dossier.findings import Findings
from cgrisk.report.dossier.parts import Block, Cell, Section, Table, Text, columns
from cgrisk.report.dossier.tables import records_of, significant, table_of, words
from cgrisk.scenario.fields import figure
from cgrisk.scenario.registry import HELD, Assumption, assumption_register

__all__ = ["register_section"]

_LONG: Final = 90


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return figure(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]" if value else "none"
    return "none" if value is None else str(value)


def _plain(key: str) -> str:
    """Return a key without the places in its lists, which a swing moves together."""
    return re.sub(r"\[\d+\]", "[]", key)


def _swings(findings: Findings) -> dict[str, Cell]:
    """Return how far the risk moves over the range of an input, by its key."""
    texts: dict[str, list[str]] = {}
    sizes: dict[str, float] = {}
    for result in findings.of("causes"):
        side = result.data["side"]
        for row in records_of(result.table("swings")):
            key = _plain(str(row["key"]))
            low, high = float(row["ratio_at_low"]), float(row["ratio_at_high"])
            if not (math.isfinite(low) and math.isfinite(high)):
                text = f"{side}: too few flights to tell"
            else:
                ends = [f"{low:.2f}", f"{high:.2f}"]
                still = ends == ["1.00", "1.00"]
                text = f"{side}: not seen" if still else f"{side}: × {ends[0]} to × {ends[1]}"
                size = max((abs(math.log(end)) for end in (low, high) if end > 0.0), default=0.0)
                sizes[key] = max(sizes.get(key, 0.0), size)
            texts.setdefault(key, []).append(text)
    return {
        key: Cell("; ".join(dict.fromkeys(told)), sizes.get(key)) for key, told in texts.items()
    }


def _no_swing(entry: Assumption, *, reckoned: bool) -> Cell:
    """Return why there is nothing to say of how far an input moves the risk."""
    if not entry.assumed:
        return Cell("")
    if reckoned and entry.key.startswith("operation.entry_errors"):
        return Cell("apart: errors on the load sheet")
    if reckoned and not isinstance(entry.value, int | float):
        return Cell("a choice, not a number")
    return Cell("no range" if reckoned else "not reckoned")


def register_section(findings: Findings) -> Section:
    """Return every input with its value, unit, source, and how far it moves the answer."""
    scenario = findings.run.model.scenario
    register, swings = assumption_register(scenario), _swings(findings)
    held = {of for _, of in HELD}
    rows = []
    for entry in register:
        value = _value(entry.value)
        if len(value) > _LONG:
            value = f"{value[:_LONG]}… (the manifest has all)"
        kind = "assumption" if entry.assumed else "sourced"
        source = entry.source + ("; held, not sampled" if entry.key in held else "")
        moves = swings.get(_plain(entry.key)) or _no_swing(entry, reckoned=bool(swings))
        rows.append(
            (
                Cell(entry.key),
                Cell(value, float(entry.value) if isinstance(entry.value, float) else None),
                Cell(entry.unit),
                Cell(kind),
                Cell(source),
                moves,
            )
        )
    assumed = sum(entry.assumed for entry in register)
    text = (
        f"{len(register)} values are in use; {assumed} of them have no published or measured "
        "source. In SI, or the unit told. Without a source named in the files, a default has its "
        "own; a value in place of a default is an assumption."
    )
    blocks: list[Block] = [Text(text)]
    if not findings.of("causes"):
        blocks.append(
            Text(
                "How far the answer moves over the range of each assumption is not reckoned yet. "
                "With P, the risk that you accept, it is told by:",
                "warning",
            )
        )
        blocks.append(Text(asks(findings.run, "causes"), "command"))
    blocks.append(
        Table(
            "Every input",
            columns(
                "4:key", "3:value", "unit", "2:kind", "4:source", "3:moves the risk by",
                keys={"kind": "kind"},
            ),
            tuple(rows),
            _moved(findings),
        )
    )  # fmt: skip
    ranges = _ranges(findings)
    if ranges is not None:
        blocks.append(ranges)
    return Section("register", "Assumption register", tuple(blocks))


def _moved(findings: Findings) -> str:
    """Return which risk the register tells the movement of."""
    told = [
        f"{result.data['side']}, where it is {result.data['target']:g} a flight "
        f"({result.folder.name})"
        for result in findings.of("causes")
    ]
    if not told:
        return ""
    return (
        f"Moves the risk by: the factor on the risk {'; '.join(told)}, at the two ends of the "
        "input's range, each input alone; values that a file has once for each phase, zone or "
        "party move together. “Not seen”: under half a per cent."
    )


def _ranges(findings: Findings) -> Table | None:
    for result in findings.of("tail"):
        frame = result.table("assumptions")
        if not frame.empty:
            return table_of(
                frame,
                [
                    words("key", "key", weight=3.0),
                    significant("low", "low"),
                    significant("high", "high"),
                    words("unit", "unit"),
                    words("law", "law", weight=2.0),
                    words("why", "why this range", weight=3.0),
                ],
                caption=f"Ranges that the assumption range was drawn from ({result.folder.name})",
            )
    return None
