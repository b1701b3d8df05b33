"""Errors on the load sheet itself: what is really aboard when the sheet says otherwise.

The load sheet, its planned path and its take-off setting stay as they are; the aircraft flies with
what is really aboard. Draws of people and loads are those of the same flights without the error.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from cgrisk.errors import UsageError
from cgrisk.flight.model import FlightModel, prepare
from cgrisk.flight.paper_masses import recount
from cgrisk.scenario import Scenario
from cgrisk.scenario.entry_file import EntryError

__all__ = ["entry_error_text", "with_entry_error"]


def entry_error_text(error: EntryError) -> str:
    """Return an entry error in words."""
    if error.kind == "zone_count":
        many = "1 adult" if error.people == 1 else f"{error.people} adults"
        sit = "sits" if error.people == 1 else "sit"
        return f"{many} counted in zone {error.from_zone} {sit} in {error.to_zone}"
    if error.kind == "children_as_adults":
        return f"{error.people} children counted as adults"
    assert error.holds is not None
    return f"loads of {error.holds[0]} and {error.holds[1]} swapped"


def _refuse(error: EntryError, expected: str, got: object) -> UsageError:
    return UsageError(
        argument=f"entry_errors {error.name!r}",
        expected=expected,
        got=got,
        cure="Mend it in the operation file, or leave out --with-entry-errors.",
    )


def _zones(error: EntryError, operation: dict[str, Any], seats: dict[str, int]) -> None:
    zones = {zone["name"]: zone for zone in operation["zones"]}
    for name in (error.from_zone, error.to_zone):
        if name not in zones:
            raise _refuse(error, f"a zone out of {', '.join(zones)}", name)
    origin, goal = zones[error.from_zone], zones[error.to_zone]
    room = seats[goal["name"]] - goal["adults"] - goal["children"]
    if error.people > min(origin["adults"], room):
        raise _refuse(
            error,
            f"at most {min(origin['adults'], room)} people (adults there, seats left here)",
            error.people,
        )
    men, moved = origin["men"], 0
    if men is not None:
        moved = round(error.people * men / origin["adults"])
    counted = [zone["men"] for zone in (origin, goal)]
    for zone, people in ((origin, -error.people), (goal, error.people)):
        recount(zone, adults=zone["adults"] + people, children=zone["children"])
    if None not in counted:  # nobody is lost on the way
        origin["men"], goal["men"] = counted[0] - moved, counted[1] + moved


def _children(error: EntryError, operation: dict[str, Any]) -> None:
    left = error.people
    whole = sum(zone["adults"] for zone in operation["zones"])
    if left > whole:
        raise _refuse(error, f"at most {whole} people (adults on the load sheet)", left)
    # Spread over the zones by the adults in them, the last ones taking what is left.
    for zone in operation["zones"]:
        here = min(zone["adults"], round(error.people * zone["adults"] / whole), left)
        recount(zone, adults=zone["adults"] - here, children=zone["children"] + here)
        left -= here
    for zone in operation["zones"]:
        here = min(zone["adults"], left)
        recount(zone, adults=zone["adults"] - here, children=zone["children"] + here)
        left -= here


def _holds(error: EntryError, operation: dict[str, Any]) -> None:
    loads = {load["hold"]: load for load in operation["hold_loads"]}
    names = error.holds or ("", "")
    for name in names:
        if name not in loads:
            raise _refuse(error, f"a hold out of {', '.join(loads)}", name)
    first, second = (loads[name] for name in names)
    for key in first:
        if key != "hold":
            first[key], second[key] = second[key], first[key]


def _truth(model: FlightModel, error: EntryError) -> Scenario:
    resolved = model.scenario.resolved()
    operation = resolved["operation"]
    if error.kind == "zone_count":
        plan = model.plan
        seats = {
            name: int(((plan.zone == i) & ~plan.blocked).sum()) for i, name in enumerate(plan.zones)
        }
        _zones(error, operation, seats)
    elif error.kind == "children_as_adults":
        _children(error, operation)
    else:
        _holds(error, operation)
    return Scenario.from_resolved(resolved)


def with_entry_error(model: FlightModel, error: EntryError) -> FlightModel:
    """Return a model that flies what is really aboard under the load sheet of another.

    Parameters
    ----------
    model : FlightModel
        The load sheet's.
    error : EntryError
        What the sheet has wrong.

    Returns
    -------
    FlightModel
        Its margins, errors against the planned path and take-off figures are those of a flight with
        this load sheet; its split of the take-off error by cause counts from the truth and is not
        to be used.

    Raises
    ------
    UsageError
        If the error cannot be made with this load.
    """
    truth = prepare(_truth(model, error))
    return replace(
        truth,
        sheet=model.sheet,
        planned=model.planned,
        planned_margins=model.planned_margins,
        operational_margins=model.operational_margins,
        planned_trim=model.planned_trim,
        take_off=model.take_off,
        program=truth.program._replace(sheet=model.program.sheet, trim=model.program.trim),
    )
