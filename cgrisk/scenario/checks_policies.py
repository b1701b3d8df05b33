"""Reading a policies file, and checks of what it means for a scenario."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Final, get_args

from cgrisk.errors import Fault, InputError
from cgrisk.scenario.aircraft_file import PhaseKind
from cgrisk.scenario.document import read_document, shown
from cgrisk.scenario.fields import figure
from cgrisk.scenario.locate import KeyPath
from cgrisk.scenario.policies_file import Demand, PoliciesFile, Policy, Search
from cgrisk.scenario.problems import Problem, listed, repeated
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.seats import expand_seats, select_seats
from cgrisk.scenario.structure import sound_values

__all__ = ["load_policies", "policy_problems"]

_KINDS: Final[tuple[str, ...]] = get_args(PhaseKind)
_ROUNDING: Final = 1e-9


def _add_up(total: float) -> str:
    verb = "Raise" if total < 1.0 else "Lower"
    return f"{verb} some of them, by {abs(1.0 - total):.6g} in all."


def load_policies(path: str | Path, *, scenario: Scenario) -> PoliciesFile:
    """Read and check a policies file against the scenario it is for.

    Parameters
    ----------
    path : str or pathlib.Path
        A TOML file.
    scenario : Scenario
        Whose zones, seats, holds and phases the policies name.

    Raises
    ------
    InputError
        With all faults of the file, each with its line.
    """
    label = str(path)
    label = "".join(s if s.isprintable() else "?" for s in label)
    document = read_document(Path(path), file=label, kind="a policies file")
    values, faults = sound_values(document, model=PoliciesFile, file_kind="policies")
    problems: list[Problem] = []
    if "policies" in values:
        problems += policy_problems(values["policies"], scenario=scenario)
    if values.get("demand") is not None:
        problems += _demand(values["demand"])
    if values.get("search") is not None:
        problems += _search(values["search"], values.get("policies"), scenario)
    if "counts" in values:
        problems += _counts(values["counts"], len(expand_seats(scenario.aircraft.cabin)))
    found = [document.fault(p.path, expected=p.expected, got=p.got, cure=p.cure) for p in problems]
    every: list[Fault] = list(dict.fromkeys([*faults, *found]))
    if every:
        raise InputError(sorted(every, key=lambda fault: fault.line or 0))
    return PoliciesFile.model_validate(document.data)


def _counts(counts: tuple[int, ...], seats: int) -> Iterator[Problem]:
    for number, count in enumerate(counts):
        if count > seats:
            yield Problem(
                ("counts", number),
                f"at most the seats of the cabin, {seats}",
                str(count),
                "Take it away.",
            )
    for number, count in enumerate(counts):
        if count in counts[:number]:
            yield Problem(("counts", number), "each number once", str(count), "Take it away.")


_KEYS: Final = {
    "normal": ("mean", "sd"),
    "binomial": ("booked", "show_up"),
    "given": ("counts", "shares"),
}


def _demand(demand: Demand) -> Iterator[Problem]:
    path: KeyPath = ("demand",)
    for kind, keys in _KEYS.items():
        for key in keys:
            stated = getattr(demand, key) not in (None, ())
            if stated and kind != demand.kind:
                yield Problem(
                    (*path, key),
                    f"only keys of a {demand.kind} demand: {', '.join(_KEYS[demand.kind])}",
                    key,
                    "Take it away, or correct the kind.",
                )
            if not stated and kind == demand.kind:
                yield Problem(
                    (*path, key), f"a value, for a {kind} demand", "nothing", "Add the key."
                )
    if demand.kind == "given" and demand.counts and demand.shares:
        total = math.fsum(demand.shares)
        if len(demand.counts) != len(demand.shares):
            yield Problem(
                (*path, "shares"),
                f"as many shares as counts, {len(demand.counts)}",
                str(len(demand.shares)),
                "Give each count its share.",
            )
        elif abs(total - 1.0) > _ROUNDING:
            yield Problem(
                (*path, "shares"), "shares that add up to 1", figure(total), _add_up(total)
            )


def _search(
    search: Search, policies: tuple[Policy, ...] | None, scenario: Scenario
) -> Iterator[Problem]:
    path: KeyPath = ("search",)
    yield from repeated(list(search.families), (*path, "families"), of="entry", key=None)
    if not search.families and not search.holds:
        yield Problem(
            (*path, "families"),
            "a family, or holds = true",
            "neither",
            "Name a family of restrictions, or let hold load be moved.",
        )
    seats = len(expand_seats(scenario.aircraft.cabin))
    if search.most_blocked is not None and search.most_blocked >= seats:
        yield Problem(
            (*path, "most_blocked"),
            f"fewer than the seats of the cabin, {seats}",
            str(search.most_blocked),
            "Leave seats for somebody.",
        )
    base: Policy | None = None
    if search.base is not None and policies is not None:
        named = {policy.name: policy for policy in policies}
        base = named.get(search.base)
        if base is None:
            yield Problem(
                (*path, "base"),
                f"one of {listed(list(named))}",
                shown(search.base),
                "Use the name of a policy of the file.",
            )
    if "zone_quotas" not in search.families:
        return
    place = (*path, "families", search.families.index("zone_quotas"))
    counted = scenario.operation.seating.scope
    if base is not None and base.quotas:
        yield Problem(
            place, "a base policy without quotas of its own", shown(base.name), "Take one away."
        )
    if (counted if base is None or base.counted is None else base.counted) == "cabin":
        yield Problem(
            place,
            "people who sit in the zone where they are counted",
            "people who sit anywhere in the cabin",
            "Take the family away, or name a base policy that counts by zone.",
        )


def policy_problems(policies: tuple[Policy, ...], *, scenario: Scenario) -> Iterator[Problem]:
    """Yield what policies name that the scenario has not, or that contradicts itself."""
    yield from repeated([policy.name for policy in policies], ("policies",), of="policy")
    for number, policy in enumerate(policies):
        path: KeyPath = ("policies", number)
        yield from _names(policy, path, scenario)
        yield from _seats(policy, path, scenario)
        yield from _shares(policy, path, scenario)
        yield from _crew(policy, path, scenario)


def _names(policy: Policy, path: KeyPath, scenario: Scenario) -> Iterator[Problem]:
    cabin, operation = scenario.aircraft.cabin, scenario.operation
    phases = [phase.name or phase.kind for phase in operation.phases]
    lists: tuple[tuple[str, str, list[str], list[str]], ...] = (
        ("quotas", "zone", [q.zone for q in policy.quotas], [z.name for z in operation.zones]),
        (
            "lavatories",
            "name",
            [x.name for x in policy.lavatories],
            [x.name for x in cabin.lavatories],
        ),
        ("galleys", "name", [x.name for x in policy.galleys], [x.name for x in cabin.galleys]),
        ("crew", "name", [x.name for x in policy.crew], [x.name for x in cabin.crew_seats]),
        (
            "holds",
            "hold",
            [x.hold for x in policy.holds],
            [x.name for x in scenario.aircraft.holds],
        ),
        ("sign", "phase", [x.phase for x in policy.sign], list(dict.fromkeys([*phases, *_KINDS]))),
    )
    for key, leaf, names, known in lists:
        for place, name in enumerate(names):
            if name not in known:
                yield Problem(
                    (*path, key, place, leaf),
                    f"one of {listed(known)}",
                    shown(name),
                    "Use a name of the scenario.",
                )
        yield from repeated(names, (*path, key), of="entry", key=leaf)
    most = {x.name: x.count for x in cabin.lavatories}
    for place, entry in enumerate(policy.lavatories):
        if entry.name in most and entry.open > most[entry.name]:
            yield Problem(
                (*path, "lavatories", place, "open"),
                f"at most the lavatories of {shown(entry.name)}, {most[entry.name]}",
                str(entry.open),
                "Lower it, or give the aircraft file the lavatories that are there.",
            )


def _seats(policy: Policy, path: KeyPath, scenario: Scenario) -> Iterator[Problem]:
    seats = expand_seats(scenario.aircraft.cabin)
    blocked: set[int] = set()
    for number, block in enumerate(policy.block):
        for place, name in enumerate(block.seats):
            try:
                chosen = select_seats(seats, [name])
                blocked.update(chosen if block.below is None else ())
            except ValueError as error:
                yield Problem(
                    (*path, "block", number, "seats", place),
                    'a seat or rows of the cabin, such as "12A" or "20-29"',
                    str(error),
                    "Correct the name, or take it away.",
                )
    if len(blocked) == len(seats):
        yield Problem(
            (*path, "block"),
            f"a seat left open by policy {shown(policy.name)}",
            f"all {len(seats)} seats blocked",
            "Block fewer of them, or only below a number of passengers.",
        )


def _shares(policy: Policy, path: KeyPath, scenario: Scenario) -> Iterator[Problem]:
    if policy.quotas and policy.zones is not None:
        yield Problem(
            (*path, "quotas"),
            "either zones or quotas",
            "both",
            "Keep the one that is meant.",
        )
    for key, shares, named, all_of in (
        (
            "quotas",
            [q.share for q in policy.quotas],
            {q.zone for q in policy.quotas},
            [z.name for z in scenario.operation.zones],
        ),
        (
            "holds",
            [h.share for h in policy.holds],
            {h.hold for h in policy.holds},
            [h.name for h in scenario.aircraft.holds],
        ),
    ):
        if not shares:
            continue
        missing = [name for name in all_of if name not in named]
        total = math.fsum(shares)
        if missing:
            yield Problem(
                (*path, key),
                f"a share for each of {listed(all_of)}",
                f"none for {listed(missing)}",
                "Add it; 0 leaves it empty.",
            )
        elif abs(total - 1.0) > _ROUNDING:
            yield Problem((*path, key), "shares that add up to 1", figure(total), _add_up(total))


def _crew(policy: Policy, path: KeyPath, scenario: Scenario) -> Iterator[Problem]:
    if not policy.crew:
        return
    stations = {x.name: x.crew for x in scenario.aircraft.cabin.crew_seats}
    moved = {x.name: x.crew for x in policy.crew}
    before, after = sum(stations.values()), sum((stations | moved).values())
    if set(moved) <= set(stations) and before != after:
        yield Problem(
            (*path, "crew"),
            f"stations that keep the number of crew, {before}",
            str(after),
            "Move crew from one station to another; a policy adds none and takes none away.",
        )
