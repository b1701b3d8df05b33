"""Ranges of the values that have no source: between which ends each lies, and scenarios there.

What :func:`assumption_ranges` lists is moved one at a time for a swing, or all together in an outer
loop. The ends are those that the user states in the ``ranges`` tables of his files, else follow the
rules of :mod:`cgrisk.scenario.range_rules`. Left out, since no range can be told: choices and
switches (how seats are taken, the law of a time), the number of aircraft, what the load sheet says,
the size of an entry error, what only the operator's own papers can say, and a 0 that is meant.

One key stands for all entries of a list, moved together: with ``operation.parties[].share`` the
odds of every kind's share are multiplied by one number, with ``operation.service.carts[].tray`` the
masses of all trays. The value and the ends are those of the largest entry (of shares, the largest
below 1); entries of 0, and shares of 1, stay. Only entries without a source are moved, or all where
the user states the range.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final, NamedTuple

from cgrisk.errors import UsageError
from cgrisk.scenario.document import key_text
from cgrisk.scenario.fields import DATA
from cgrisk.scenario.loading import meaning_problems
from cgrisk.scenario.operation_file import Cart
from cgrisk.scenario.range_rules import (
    LOG,
    NORMAL,
    NOT_IN_DOUBT,
    ODDS,
    UNIFORM,
    Ends,
    default_ends,
)
from cgrisk.scenario.registry import HELD, Leaf, is_unused, sourced_leaves
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.seats import expand_seats
from cgrisk.scenario.shapes import Shape
from cgrisk.scenario.stated_ranges import group_key, is_named, is_share, leading
from cgrisk.units import SI_UNITS

__all__ = ["Range", "assumption_ranges", "with_values"]

#: Values that a doubt of the operation as a whole makes uncertain, whatever their source.
_DOUBTED: Final = frozenset(of for _, of in HELD)
#: Keeps a quotient on the safe side of its rounding.
_NEARLY: Final = 1.0 - 1e-12
#: Lists of shares that add up to at most 1.
_SHARES: Final = (("parties", "share"), ("entry_errors", "probability"))


@dataclass(frozen=True, slots=True)
class Range:
    """A value in doubt, and between which ends it lies.

    Attributes
    ----------
    key : str
        Dotted key as in the assumption register; ``[]`` stands for all entries of a list.
    value : float
        Value in use, in SI (or in the unit its key names).
    low, high : float
        Ends, in the same unit; under the normal law two standard deviations to either side.
    law : str
        "uniform on the logarithm" (of the odds), "uniform" or "normal (2 sd)".
    why : str
        Why these ends.
    given : bool
        Whether the user states them.
    unit : str
        Unit of value and ends; empty where they have none.
    """

    key: str
    value: float
    low: float
    high: float
    law: str
    why: str
    given: bool
    unit: str = ""

    def at(self, u: float) -> float:
        """Return the quantile at ``u`` in (0, 1): rising, and within the ends but for the normal.

        Raises
        ------
        UsageError
            If ``u`` is not between 0 and 1.
        """
        if not 0.0 < u < 1.0:
            raise UsageError(
                argument="u",
                expected="a number between 0 and 1, both excluded",
                got=u,
                cure="Draw it uniform.",
            )
        if self.law == NORMAL:
            half = 0.5 * (self.high - self.low)
            return 0.5 * (self.low + self.high) + 0.5 * half * NormalDist().inv_cdf(u)
        if self.law == LOG:
            x = self.low * math.pow(self.high / self.low, u)
        elif self.law == ODDS:
            first, last = (_log_odds(end) for end in (self.low, self.high))
            x = 1.0 / (1.0 + math.exp(-(first + u * (last - first))))
        else:
            x = self.low + u * (self.high - self.low)
        return min(max(x, self.low), self.high)


def _log_odds(share: float) -> float:
    share = min(share, math.nextafter(1.0, 0.0))
    return math.log(share) - math.log1p(-share)


class _Member(NamedTuple):
    """A number that may be moved, and whether the rules give it a range."""

    leaf: Leaf
    ruled: bool


def _plain(key: str) -> str:
    return re.sub(r"\[\d*\]", "", key)


def _members(scenario: Scenario) -> Iterator[_Member]:
    """Yield every number of a scenario that its answer depends on."""
    for leaf, _, assumed in sourced_leaves(scenario):
        number = isinstance(leaf.value, int | float) and not isinstance(leaf.value, bool)
        if not number or is_unused(leaf.key):
            continue
        plain = _plain(leaf.key)
        known = any(plain == key or plain.startswith(f"{key}.") for key in NOT_IN_DOUBT)
        ruled = (assumed and leaf.source != DATA and not known) or plain in _DOUBTED
        yield _Member(leaf, ruled)


def _stated(scenario: Scenario) -> dict[str, tuple[float, float]]:
    """Return the ranges that the files state, by key as they write it, those of entries first."""
    out = {f"aircraft.{key}": ends for key, ends in scenario.aircraft.ranges.items()}
    out |= {f"operation.{key}": ends for key, ends in scenario.operation.ranges.items()}
    return dict(sorted(out.items(), key=lambda item: len(re.findall(r"\[\d+\]", item[0])) == 0))


def _groups(scenario: Scenario) -> dict[str, tuple[list[Leaf], tuple[float, float] | None]]:
    """Return, by the key of each range, what it moves and the ends that are stated."""
    stated = _stated(scenario)
    groups: dict[str, tuple[list[Leaf], tuple[float, float] | None]] = {}
    for leaf, ruled in _members(scenario):
        named = next((key for key in stated if is_named(leaf.key, key)), None)
        if named is None and not ruled:
            continue
        key = group_key(leaf.key, named)
        groups.setdefault(key, ([], None if named is None else stated[named]))[0].append(leaf)
    return groups


def _value(leaves: list[Leaf], key: str) -> float:
    values = [float(leaf.value) for leaf in leaves]  # type: ignore[arg-type]
    return leading(values, share=is_share(key, leaves[0].shape))


def _clipped(value: float, shape: Shape) -> float:
    """Return the nearest value that a key accepts, whole where it asks for a whole number."""
    quantity = shape.quantity
    if quantity is None:
        least, most = shape.limit("ge"), shape.limit("le")
        value = round(value)
        value = value if least is None else max(value, least)
        return value if most is None else min(value, most)
    value = min(max(value, quantity.low), quantity.high)
    if quantity.above is not None and value <= quantity.above:
        return math.nextafter(quantity.above, math.inf)
    return value


def _law(ends: tuple[float, float], key: str, shape: Shape) -> str:
    """Return the law of a stated range."""
    low, high = ends
    if is_share(key, shape):
        return ODDS if low > 0.0 and high < 1.0 else UNIFORM
    signed = shape.quantity is not None and shape.quantity.low < 0.0
    return LOG if low > 0.0 and not signed else UNIFORM


def _unit(shape: Shape) -> str:
    quantity = shape.quantity
    return "" if quantity is None else quantity.unit or SI_UNITS[quantity.dimension]


def assumption_ranges(scenario: Scenario) -> tuple[Range, ...]:
    """Return the range of every number in use that has no source, in the order of the files.

    A number with a source has one too where the user states it, and so has the bias of the body
    masses, which no paper of another route settles.

    Parameters
    ----------
    scenario : Scenario
        Checked scenario.

    Returns
    -------
    tuple of Range
        Each holds its value; the ends are within what the key accepts.
    """
    out = []
    for key, (leaves, stated) in _groups(scenario).items():
        shape, value = leaves[0].shape, _value(leaves, key)
        ends: Ends | None
        if stated is not None:
            ends = Ends(*stated, _law(stated, key, shape), "stated by the user")
        else:
            ends = default_ends(
                _plain(key), value, shape=shape, default=leaves[0].default, scenario=scenario
            )
        if ends is None:
            continue
        low, high = _clipped(ends.low, shape), _clipped(ends.high, shape)
        if low < high:
            given = stated is not None
            out.append(Range(key, value, low, high, ends.law, ends.why, given, _unit(shape)))
    return tuple(out)


def _moved(entry: float, *, old: float, new: float, share: bool) -> float:
    """Return an entry of a list as it is when the leading one goes from old to new."""
    if new == old:
        return entry
    if entry == old or old == 0.0 or (share and old == 1.0):
        return new
    if not share:
        return entry * (new / old)
    if entry in (0.0, 1.0) or new in (0.0, 1.0):
        return entry if entry in (0.0, 1.0) else new
    odds = entry / (1.0 - entry) * (new / (1.0 - new)) * ((1.0 - old) / old)
    return odds / (1.0 + odds)


def _put(data: dict[str, Any], key: str, value: float) -> None:
    """Put a value at a key with list positions."""
    place: Any = data
    *above, last = [int(p) if p.isdigit() else p for p in re.findall(r"[^.\[\]]+", key)]
    for part in above:
        place = place[part]
    place[last] = value


def _fit_shares(operation: dict[str, Any], moved: set[str]) -> None:
    """Scale the moved shares of a list down where they would add up to more than 1."""
    for name, field in _SHARES:
        entries = operation[name]
        ours = [f"operation.{name}[{i}].{field}" in moved for i in range(len(entries))]
        total = math.fsum(entry[field] for entry in entries)
        mine = math.fsum(e[field] for e, our in zip(entries, ours, strict=True) if our)
        if total > 1.0 and mine > 0.0:
            scale = max(0.0, 1.0 - (total - mine)) / mine
            for entry, our in zip(entries, ours, strict=True):
                entry[field] *= scale if our else 1.0


def _fit_trays(scenario: Scenario, operation: dict[str, Any], moved: set[str]) -> None:
    """Make the trays of a moved cart as light as it takes for the cart to carry them."""
    touched = {key.rpartition(".")[0] for key in moved if key.endswith((".tray", ".mass_full"))}
    if not touched:
        return
    seats = expand_seats(scenario.aircraft.cabin)
    rows = list(dict.fromkeys(seat.row for seat in seats))
    for number, cart in enumerate(operation["service"]["carts"]):
        if f"operation.service.carts[{number}]" not in touched:
            continue
        spec: Cart = scenario.operation.service.carts[number]
        first, last = sorted((rows.index(spec.from_row), rows.index(spec.to_row)))
        here = set(rows[first : last + 1])
        served = sum(seat.row in here and seat.aisle == spec.aisle for seat in seats)
        cart["tray"] = min(cart["tray"], _NEARLY * cart["mass_full"] / max(served, 1))


def with_values(scenario: Scenario, values: Mapping[str, float]) -> Scenario:
    """Return a scenario with other values of what is in doubt.

    Parameters
    ----------
    scenario : Scenario
        Checked scenario.
    values : mapping of str to float
        For keys of its :func:`assumption_ranges`, values in SI. One outside of what the key accepts
        is taken to the nearest that it accepts, and rounded where that is a whole number. Where a
        list's shares would add up to more than 1 the moved ones are scaled down, and trays that a
        cart could not carry made lighter.

    Returns
    -------
    Scenario
        With the value in use for every key, the same scenario.

    Raises
    ------
    UsageError
        If a key has no range in the scenario, a value is no finite number, or the values do not fit
        together, as only ranges that a user states can bring about: more people than seats, say.
    """
    groups = _groups(scenario)
    data = scenario.resolved()
    moved: set[str] = set()
    for key, value in values.items():
        if key not in groups:
            raise UsageError(
                argument="values",
                expected="keys of the ranges of this scenario",
                got=key,
                cure="Take a key of assumption_ranges.",
            )
        got: object = value
        if not isinstance(got, int | float) or isinstance(got, bool) or not math.isfinite(got):
            raise UsageError(
                argument="values",
                expected=f"a finite number for {key}",
                got=value,
                cure="Give a number in SI.",
            )
        leaves, _ = groups[key]
        old, share = _value(leaves, key), is_share(key, leaves[0].shape)
        for leaf in leaves:
            entry = float(leaf.value)  # type: ignore[arg-type]
            new = _clipped(_moved(entry, old=old, new=float(value), share=share), leaf.shape)
            if new != leaf.value:
                moved.add(leaf.key)
                _put(data, leaf.key, new)
    _fit_shares(data["operation"], moved)
    _fit_trays(scenario, data["operation"], moved)
    there = Scenario.from_resolved(data, origin=scenario.origin)
    problems = list(meaning_problems(there)) if moved else []
    known = set(meaning_problems(scenario)) if problems else set()
    for problem in problems:
        if problem not in known:
            raise UsageError(
                argument=f"values, {key_text(problem.path)}",
                expected=problem.expected,
                got=problem.got,
                cure="Narrow the ranges that the files state.",
            )
    return there
