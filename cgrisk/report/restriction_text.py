"""The least restriction in words: a table by number of passengers, and a draft for a manual."""

from __future__ import annotations

import textwrap
from typing import Any, Final

import numpy as np
import pandas as pd

from cgrisk.decide.policy_cells import RARE
from cgrisk.decide.restriction_draft import DraftLine
from cgrisk.decide.restriction_search import RestrictionStudy
from cgrisk.report.counted import seats_blocked
from cgrisk.report.policy_text import BUFFER_NOTE
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.summary import CAUTIONS, plain

__all__ = ["DRAFT_MARK", "draft_text", "restriction_answer", "restriction_text"]

#: Stands above and below every draft.
DRAFT_MARK: Final = "DRAFT - NOT APPROVED - NOT FOR DISPATCH"

_READINGS: Final = {
    "limit": "planned on the operational limit",
    "planned": "loaded as the load sheet has it",
}
_STATUS: Final = {
    "confirmed": "confirmed",
    "not confirmed": "none confirmed",
    "undecided": "none shown to meet",
    "none": "none meets",
}
_WIDTH: Final = 78


def _risk(p: float, low: float, high: float) -> str:
    return chance_text(p, low=low, high=high)


def _heads(study: RestrictionStudy) -> list[str]:
    task, search = study.task, study.family.search
    numbers = f"{study.counts[0]} to {study.counts[-1]} passengers, {study.counts.size} numbers"
    families = ", ".join(name.replace("_", " ") for name in search.families) or "none"
    method = "counting" if task.target >= RARE else "counting, and splitting where it is rare"
    step = 2 * search.near + 1
    gaps = np.diff(study.counts) > step
    return [
        f"Least restriction that keeps each side under {task.target:g} a flight, "
        f"{_READINGS[task.reading]}, with {100 * task.confidence:g} % confidence",
        f"{numbers}; base: {study.family.base.name!r}; hold load moved first: "
        f"{'yes' if search.holds else 'no'}; families: {families}; at most "
        + seats_blocked(study.family.most_blocked),
        f"{study.flights:,} flights, common random numbers at each number, seed {task.seed}; "
        f"{method}; the choice is flown afresh at {search.near} passengers fewer to "
        f"{search.near} more"
        + (f" (numbers at most {step} apart would leave no gap)" if gaps.any() else ""),
    ]


def _table(study: RestrictionStudy) -> list[str]:
    width = min(max(len(words) for words in study.table["restriction"]), 60)
    lines = [
        "By number of passengers (risk: worse side, among all that was tried, with its "
        f"{100 * study.task.confidence:g} % interval by itself; confirmed: greatest upper bound of "
        "the fresh flights)",
        f"  {'':>4}  {'restriction':<{width}}  {'blocked':>7}  {'kg moved':>8}  "
        f"{'risk, interval, side':<34}  confirmed",
    ]
    open_ = _lesser_open(study)
    for row in study.table.to_dict("records"):
        words = str(row["restriction"])
        done = row["status"] == "confirmed"
        name = words if done else f"nearest: {words}"
        risk = f"{_risk(row['risk'], row['low'], row['high'])} {row['side']}"
        told = _STATUS[str(row["status"])]
        if done:
            told = f"{row['confirmed_from']:.0f} to {row['confirmed_to']:.0f}: at most "
            told += f"{row['confirmed_high']:.3g}"
            if row["attempts"] > 1:
                told += f" (attempt {row['attempts']})"
            told += " *" if row["passengers"] in open_ else ""
        lines.append(
            f"  {row['passengers']:>4}  {name:<{width}}  {row['seats_blocked']:>7}  "
            f"{row['moved_kg']:>8.0f}  {risk:<34}  {told}"
        )
    if open_:
        lines.append("  * a lesser restriction stays undecided: more --flights may show it to do")
    return lines


def _lesser_open(study: RestrictionStudy) -> set[int]:
    """Return the numbers of passengers at which something less than the answer stays undecided."""
    found = set()
    for row in study.table[study.table["status"] == "confirmed"].to_dict("records"):
        tried = study.tried[study.tried["passengers"] == row["passengers"]]
        cost = tried["seats_blocked"], tried["moved_kg"]
        lesser = tried[
            (cost[0] < row["seats_blocked"])
            | ((cost[0] == row["seats_blocked"]) & (cost[1] < row["moved_kg"]))
        ]
        for _, sides in lesser.groupby("restriction", sort=False)["standing"]:
            if not sides.isin(["above"]).any() and sides.isin(["undecided", "close"]).any():
                found.add(int(row["passengers"]))
    return found


def _known(study: RestrictionStudy) -> list[str]:
    cells = study.tried.groupby(["passengers", "restriction"], sort=False)
    standing = cells["standing"].agg(set)
    # Where one side is above the target, the other need not be decided.
    open_ = sum("above" not in sides and sides != {"below"} for sides in standing)
    refused = study.tried[study.tried["outcome"] == "refused"]
    seen = refused.groupby(["passengers", "restriction"], sort=False).ngroups
    lines = [
        f"{len(standing)} restrictions were flown; undecided within {study.task.flights:,} "
        f"flights, and so not taken: {open_}"
        + ("; more --flights would settle them." if open_ else ".")
    ]
    if seen:
        lines.append(
            f"Met it among all that was tried, but not confirmed on fresh flights: {seen} "
            "(confirmation.csv)."
        )
    return lines


def _decision(study: RestrictionStudy) -> list[str]:
    lines = []
    target = study.task.target
    failed = [answer for answer in study.answers if answer.status != "confirmed"]
    for answer in failed:
        high = float(answer.cell.high.max())
        room = answer.seats_left + answer.seats_blocked - answer.passengers
        reason = {
            "none": "no restriction of the family meets it",
            "undecided": "no restriction of the family is shown to meet it, and some may",
            "not confirmed": f"none was confirmed in {len(answer.proofs)} attempts",
        }[answer.status]
        lines.append(
            f"At {answer.passengers} passengers {reason}. The nearest: {answer.words}, "
            f"{seats_blocked(answer.seats_blocked)}, upper bound {high:.2g} against {target:g} "
            f"(at most {min(room, study.family.most_blocked)} could be)."
        )
    if not failed:
        return ["A restriction is confirmed at every number of passengers looked at."]
    lines.append(
        "There: widen the buffer on that side, widen the family, carry other numbers, or accept "
        "another target."
    )
    return lines


def _line(line: DraftLine, *, lowest: bool) -> str:
    numbers = (
        f"{line.first} passengers"
        if line.first == line.last
        else f"{line.first} to {line.last} passengers"
    )
    if lowest and line.first == 1:
        numbers = f"Up to {line.last} passengers"
    if line.status == "confirmed":
        seats = (
            f" ({seats_blocked(line.seats_blocked)}, {line.seats_left} left)"
            if line.seats_blocked
            else ""
        )
        return f"{numbers}: {line.words}{seats}."
    if line.status == "none":
        return f"{numbers}: NONE OF THE FAMILY IS CONFIRMED. Not covered by this draft."
    return f"{numbers}: not looked at. Not covered by this draft."


def draft_text(study: RestrictionStudy) -> str:
    """Return a draft restriction for the operator's manual, marked as not approved."""
    task, draft = study.task, study.draft
    name = "".join(c if c.isprintable() else "?" for c in task.scenario.name)
    lines = [DRAFT_MARK, "", f"Seating restriction by number of passengers: {name}"]
    lines += ["", f"Base: {study.family.base.name}", ""]
    if draft[0].first > 1:
        lines.append(f"Up to {draft[0].first - 1} passengers: not looked at. Not covered.")
    lines += [_line(line, lowest=k == 0) for k, line in enumerate(draft)]
    seats = study.family.plan.seats
    if draft[-1].last < seats:
        lines.append(
            f"{draft[-1].last + 1} to {seats} passengers: not looked at. Not covered by this draft."
        )
    notes = (
        f"Each line keeps the probability of leaving the certified CG envelope, per flight and "
        f"side, {_READINGS[task.reading]}, under {task.target:g}, a target of the one who asked, "
        f"with {100 * task.confidence:g} % confidence for each number of passengers looked at. "
        "That is the numerical error of the simulation alone: what the scenario assumes is not in "
        "it.",
        "A row is blocked for everybody, also for those who change seats. The load sheet counts "
        "people by zone and balances each zone where it did before, although blocked rows move "
        "its people to one side: the risk includes that. A load sheet that balances a zone where "
        "its open seats are may need another restriction.",
        f"{BUFFER_NOTE} {CAUTIONS}",
    )
    for note in notes:
        lines += ["", *textwrap.wrap(note, _WIDTH)]
    return "\n".join([*lines, "", DRAFT_MARK, ""])


def restriction_text(study: RestrictionStudy) -> str:
    """Return the answer as text: table, what is not known, decision, draft."""
    parts = [
        _heads(study),
        _table(study),
        _known(study),
        _decision(study),
        [draft_text(study).rstrip()],
    ]
    return "\n\n".join("\n".join(lines) for lines in parts if lines)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): plain(value) for key, value in row.items()} for row in frame.to_dict("records")
    ]


def restriction_answer(study: RestrictionStudy) -> dict[str, Any]:
    """Return the answer as plain data for JSON: no NaN, no infinity."""
    task, search = study.task, study.family.search
    data = {
        "mark": DRAFT_MARK,
        "approved": False,
        "scenario": task.scenario.name,
        "scenario_sha256": task.scenario.digest(),
        "seed": task.seed,
        "target": task.target,
        "confidence": task.confidence,
        "reading": _READINGS[task.reading],
        "base": study.family.base.name,
        "families": list(search.families),
        "holds": search.holds,
        "most_blocked": study.family.most_blocked,
        "near": search.near,
        "most_attempts": search.attempts,
        "most_flights_a_cell": task.flights,
        "flights": study.flights,
        "passengers": study.counts.tolist(),
        "answers": _records(study.table),
        "tried": _records(study.tried),
        "confirmation": _records(study.proofs),
        "draft": [
            {
                "from": line.first,
                "to": line.last,
                "status": line.status,
                "restriction": line.words,
                "seats_blocked": line.seats_blocked,
                "seats_left": line.seats_left,
            }
            for line in study.draft
        ],
        "decision": _decision(study),
        "cautions": f"{BUFFER_NOTE} {CAUTIONS}",
    }
    return {key: plain(value) for key, value in data.items()}
