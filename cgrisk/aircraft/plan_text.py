"""The cabin as a picture in text: the nose at the left, a line for each seat letter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise

import numpy as np

from cgrisk.aircraft.cabin import POSITIONS, CabinPlan
from cgrisk.errors import UsageError

__all__ = ["cabin_text"]

_SEAT, _BLOCKED, _CURTAIN = "o", "x", "|"
_MARGIN = 2
_NARROWEST = 24


@dataclass(frozen=True, slots=True)
class _Column:
    """One column of the picture: a row, a lavatory or galley in the aisle, or a curtain."""

    zone: int
    row: int = 0
    signs: dict[str, str] = field(default_factory=dict)
    in_aisle: str = ""
    curtain: bool = False

    @property
    def width(self) -> int:
        return max(2, len(self.in_aisle) + 1)


def cabin_text(plan: CabinPlan, *, width: int = 100) -> str:
    """Return a picture of the cabin in text, fore to aft from left to right, and its legend.

    Each seat letter has a line, each row a column under its number, written downwards. ``o`` is a
    seat, ``x`` a blocked seat; ``L`` a lavatory (``2L``: two) and ``G`` a galley, in the aisle at
    their place between the rows; ``|`` stands between zones. A cabin too long for the width goes
    on below.

    Parameters
    ----------
    plan : CabinPlan
        Cabin.
    width : int
        Most characters on a line of the picture, at least 24.

    Raises
    ------
    UsageError
        If the width is too small, or the plan has no seat.
    """
    if width < _NARROWEST or plan.seats == 0:
        raise UsageError(
            argument="width" if width < _NARROWEST else "plan",
            expected=f"at least {_NARROWEST} characters and one seat",
            got=f"{width} characters and {plan.seats} seats",
            cure="Widen the picture, or give the cabin seats.",
        )
    letters = sorted(set(plan.letter))
    gaps = _aisle_gaps(plan, letters)
    blocks = [
        "\n".join(_block_lines(block, plan, letters=letters, gaps=gaps))
        for block in _wrapped(_columns(plan), room=width - _MARGIN)
    ]
    return "\n\n".join([*blocks, "\n".join(_legend(plan))])


def _rows(plan: CabinPlan) -> dict[int, list[int]]:
    """Return the seats of each row, left to right."""
    rows: dict[int, list[int]] = {}
    for seat in sorted(range(plan.seats), key=plan.letter.__getitem__):
        rows.setdefault(int(plan.row[seat]), []).append(seat)
    return rows


def _columns(plan: CabinPlan) -> list[_Column]:
    """Return rows, lavatories and galleys in order of arm, with a curtain between zones."""
    placed: list[tuple[float, _Column]] = []
    for row, seats in _rows(plan).items():
        signs = {plan.letter[i]: _BLOCKED if plan.blocked[i] else _SEAT for i in seats}
        column = _Column(int(plan.zone[seats[0]]), row=row, signs=signs)
        placed.append((float(plan.arm_m[seats].mean()), column))
    for arm, count in zip(plan.lavatories.arm_m, plan.lavatories.count, strict=True):
        placed.append((float(arm), _Column(-1, in_aisle="L" if count == 1 else f"{count}L")))
    placed.extend((float(arm), _Column(-1, in_aisle="G")) for arm in plan.galleys.arm_m)
    placed.sort(key=lambda item: item[0])
    return _with_curtains([column for _, column in placed])


def _with_curtains(columns: Sequence[_Column]) -> list[_Column]:
    """Put a curtain before the first row of each new zone.

    A lavatory or galley between two rows of a zone is drawn inside it, one at the ends of the
    cabin or between two zones outside.
    """
    rows = [i for i, column in enumerate(columns) if column.signs]
    out: list[_Column] = []
    zone = columns[rows[0]].zone
    for i, column in enumerate(columns):
        if column.signs and column.zone != zone:
            out.append(_Column(-1, curtain=True))
            zone = column.zone
        ahead = any(j < i for j in rows)
        behind = next((columns[j].zone for j in rows if j > i), -1)
        inside = not column.signs and ahead and behind == zone
        out.append(_Column(zone, in_aisle=column.in_aisle) if inside else column)
    return out


def _wrapped(columns: Sequence[_Column], *, room: int) -> list[list[_Column]]:
    """Cut the columns into as few blocks as fit, and those about equally long."""

    def cut(limit: int) -> list[list[_Column]]:
        blocks: list[list[_Column]] = [[]]
        for column in columns:
            if sum(other.width for other in blocks[-1]) + column.width > limit:
                blocks.append([])
            blocks[-1].append(column)
        return blocks

    widest = max(column.width for column in columns)
    fewest = len(cut(room))
    return next(cut(limit) for limit in range(widest, room + 1) if len(cut(limit)) == fewest)


def _aisle_gaps(plan: CabinPlan, letters: Sequence[str]) -> set[str]:
    """Return the letters that have an aisle just before their line; most rows decide.

    An aisle runs between two neighbouring aisle seats that use it. The two seats of a centre pair
    are neighbours and aisle seats as well, but use different aisles: such a pair counts only where
    no better one is found.
    """
    is_aisle = plan.position == POSITIONS.index("aisle")
    votes: dict[int, Counter[str]] = {}
    for seats in _rows(plan).values():
        pairs = [(i, j) for i, j in pairwise(seats) if is_aisle[i] and is_aisle[j]]
        taken: set[int] = set()
        for aisle in sorted(set(plan.aisle[seats].tolist())):
            users = {j: [plan.aisle[i], plan.aisle[j]].count(aisle) for i, j in pairs}
            near = [j for j, count in users.items() if count > 0 and j not in taken]
            if near:
                best = max(near, key=users.__getitem__)
                taken.add(best)
                votes.setdefault(aisle, Counter())[plan.letter[best]] += 1
    found = {count.most_common(1)[0][0] for count in votes.values()}
    return found or {letters[len(letters) // 2]}


def _block_lines(
    columns: Sequence[_Column], plan: CabinPlan, *, letters: Sequence[str], gaps: set[str]
) -> list[str]:
    def line(label: str, cells: Iterable[str]) -> str:
        texts = (
            (_CURTAIN if column.curtain else cell).rjust(column.width)
            for cell, column in zip(cells, columns, strict=True)
        )
        return (label.ljust(_MARGIN) + "".join(texts)).rstrip()

    digits = len(str(int(plan.row.max())))
    numbers = [str(column.row or "").rjust(digits) for column in columns]
    lines = [(" " * _MARGIN + _zone_names(columns, plan)).rstrip()]
    lines.extend(line("", column_digits) for column_digits in zip(*numbers, strict=True))
    for letter in letters:
        if letter in gaps:
            lines.append(line("", (column.in_aisle for column in columns)))
        lines.append(line(letter, (column.signs.get(letter, "") for column in columns)))
    return lines


def _zone_names(columns: Sequence[_Column], plan: CabinPlan) -> str:
    """Return the names of the zones, each centred over its columns."""
    parts = []
    for (zone, curtain), group in groupby(columns, key=lambda c: (c.zone, c.curtain)):
        room = sum(column.width for column in group)
        name = plan.zones[zone][:room] if zone >= 0 else ""
        title = name if len(name) == room else " " + name.center(room - 1)
        parts.append(_CURTAIN.rjust(room) if curtain else title)
    return "".join(parts)


def _legend(plan: CabinPlan) -> list[str]:
    lines = []
    for number, name in enumerate(plan.zones):
        inside = plan.zone == number
        if not inside.any():
            continue
        rows, arms, blocked = plan.row[inside], plan.arm_m[inside], plan.blocked[inside].sum()
        seats = f"{arms.size} seats" + (f" ({blocked} blocked)" if blocked else "")
        lines.append(
            f"zone {name}: rows {rows.min()} to {rows.max()}, {seats}, "
            f"arm {arms.min():.2f} to {arms.max():.2f} m, centroid {arms.mean():.2f} m"
        )
    signs = {
        f"{_SEAT} seat": True,
        f"{_BLOCKED} blocked": bool(np.any(plan.blocked)),
        "L lavatory": plan.lavatories.arm_m.size > 0,
        "G galley": plan.galleys.arm_m.size > 0,
        f"{_CURTAIN} between zones": len(plan.zones) > 1,
    }
    key = "nose at the left; " + ", ".join(text for text, used in signs.items() if used)
    if np.unique(plan.aisle).size > 1:
        key += "; drawn in each aisle, there once"
    return [*lines, key]
