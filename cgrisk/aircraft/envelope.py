"""Certified and operational CG envelopes: a forward and an aft limit against mass."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.errors import UsageError
from cgrisk.scenario import AircraftFile

__all__ = ["Limits", "certified_limits", "curtailed", "polygon"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Forward and aft limit in % MAC, straight between points, constant beyond the end points.

    Attributes
    ----------
    forward_mass_kg, aft_mass_kg : float64 array
        Masses of the points, not decreasing. Two points at one mass make a step; at the step
        itself the narrower value counts.
    forward_pct, aft_pct : float64 array
        Limits at the points, % MAC.
    phases : tuple of str
        Kinds of phase they govern.

    Raises
    ------
    UsageError
        If a side has no points, masses decrease, more than two points stand at one mass, or a
        number is not finite.
    """

    forward_mass_kg: Floats
    forward_pct: Floats
    aft_mass_kg: Floats
    aft_pct: Floats
    phases: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for side in ("forward", "aft"):
            for name in (f"{side}_mass_kg", f"{side}_pct"):
                values = np.array(getattr(self, name), dtype=np.float64, ndmin=1)
                values.setflags(write=False)
                object.__setattr__(self, name, values)
            _check_points(*self.points(side), side=side)

    def points(self, side: str) -> tuple[Floats, Floats]:
        """Return the masses (kg) and limits (% MAC) of the points of a side.

        Parameters
        ----------
        side : {"forward", "aft"}
            Side of the envelope.

        Raises
        ------
        UsageError
            If the side is neither.
        """
        if side == "forward":
            return self.forward_mass_kg, self.forward_pct
        if side == "aft":
            return self.aft_mass_kg, self.aft_pct
        raise UsageError(
            argument="side",
            expected='"forward" or "aft"',
            got=side,
            cure="An envelope has these two sides.",
        )

    def limit(self, mass_kg: ArrayLike, *, side: str) -> Floats:
        """Return the limit of a side (% MAC) at masses (kg), in the shape of the masses.

        At a point of the envelope the value is the point's own, to the last bit.
        """
        mass, pct = self.points(side)
        values = np.asarray(mass_kg, dtype=np.float64)
        below = _between(values, mass, pct, right=np.searchsorted(mass, values, side="left"))
        above = _between(values, mass, pct, right=np.searchsorted(mass, values, side="right"))
        return np.maximum(below, above) if side == "forward" else np.minimum(below, above)

    def margin(self, mass_kg: ArrayLike, cg_pct: ArrayLike, *, side: str) -> Floats:
        """Return the margin to a side (% MAC): positive inside; 0 on the limit, which is inside.

        Parameters
        ----------
        mass_kg, cg_pct : array_like
            Masses (kg) and CG (% MAC), which broadcast.
        side : {"forward", "aft"}
            Side of the envelope.
        """
        limit, cg = self.limit(mass_kg, side=side), np.asarray(cg_pct, dtype=np.float64)
        return cg - limit if side == "forward" else limit - cg

    def segments(self, side: str) -> tuple[Floats, Floats, Floats, Floats]:
        """Return the straight pieces of a side from the lowest mass up.

        Returns
        -------
        mass_low_kg, mass_high_kg : float64 array, shape (pieces,)
            Ends of each piece; the first begins at -inf, the last ends at inf, and each begins
            where the one before it ends.
        intercept_pct, slope_pct_per_kg : float64 array, shape (pieces,)
            limit = intercept_pct + slope_pct_per_kg x mass.
        """
        mass, pct = self.points(side)
        run = np.diff(mass)
        sloped = run > 0.0  # a step has no piece of its own
        slope = np.diff(pct)[sloped] / run[sloped]
        starts = mass[:-1][sloped]
        inner = pct[:-1][sloped] - slope * starts
        low = np.concatenate([[-np.inf], starts, mass[-1:]])
        intercept = np.concatenate([pct[:1], inner, pct[-1:]])
        return low, np.append(low[1:], np.inf), intercept, np.concatenate([[0.0], slope, [0.0]])


def _check_points(mass: Floats, pct: Floats, *, side: str) -> None:
    def refuse(expected: str, got: object) -> UsageError:
        return UsageError(
            argument=f"{side} limit",
            expected=expected,
            got=got,
            cure="Give points [mass, % MAC] from the lowest mass up; two at one mass make a step.",
        )

    if mass.ndim != 1 or mass.shape != pct.shape or mass.size == 0:
        raise refuse("one % MAC for each mass", f"{mass.shape} masses and {pct.shape} limits")
    if not (np.isfinite(mass).all() and np.isfinite(pct).all()):
        raise refuse("finite numbers", [*mass.tolist(), *pct.tolist()])
    if np.any(np.diff(mass) < 0.0):
        raise refuse("masses that do not decrease", mass.tolist())
    if np.any(mass[2:] == mass[:-2]):
        raise refuse("at most two points at one mass", mass.tolist())


def _between(values: Floats, mass: Floats, pct: Floats, *, right: NDArray[np.intp]) -> Floats:
    """Interpolate between points ``right - 1`` and ``right``; constant beyond the end points."""
    i, j = np.maximum(right - 1, 0), np.minimum(right, mass.size - 1)
    span = mass[j] - mass[i]
    share = np.where(span > 0.0, (values - mass[i]) / np.where(span > 0.0, span, 1.0), 0.0)
    # The upper end is set apart: pct[i] + 1.0 * (pct[j] - pct[i]) need not be pct[j].
    inner = np.where(values == mass[j], pct[j], pct[i] + share * (pct[j] - pct[i]))
    return np.where(right == 0, pct[0], np.where(right == mass.size, pct[-1], inner))


def certified_limits(aircraft: AircraftFile) -> dict[str, Limits]:
    """Return the certified limits of an aircraft by kind of phase."""
    out: dict[str, Limits] = {}
    for envelope in aircraft.envelopes:
        forward, aft = np.array(envelope.forward), np.array(envelope.aft)
        limits = Limits(
            forward_mass_kg=forward[:, 0],
            forward_pct=forward[:, 1],
            aft_mass_kg=aft[:, 0],
            aft_pct=aft[:, 1],
            phases=envelope.phases,
        )
        out.update(dict.fromkeys(envelope.phases, limits))
    return out


def curtailed(limits: Limits, *, forward_pct: float, aft_pct: float) -> Limits:
    """Return limits moved inward: an operational envelope.

    Parameters
    ----------
    limits : Limits
        Certified limits.
    forward_pct, aft_pct : float
        Curtailment of each side, % MAC; the forward limit moves aft, the aft limit forward. Wide
        curtailments may leave no room: the sides then cross, and no CG has a margin on both.

    Raises
    ------
    UsageError
        If a curtailment is negative or not finite.
    """
    for argument, value in (("forward_pct", forward_pct), ("aft_pct", aft_pct)):
        if not 0.0 <= value < np.inf:
            raise UsageError(
                argument=argument,
                expected="a curtailment of at least 0 % MAC",
                got=value,
                cure="A curtailment narrows the envelope; it never widens it.",
            )
    return replace(
        limits, forward_pct=limits.forward_pct + forward_pct, aft_pct=limits.aft_pct - aft_pct
    )


def polygon(limits: Limits, *, mass_range_kg: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return the closed outline of an envelope between two masses, for charts.

    Parameters
    ----------
    limits : Limits
        Envelope.
    mass_range_kg : tuple of float
        Lowest and highest mass.

    Returns
    -------
    cg_pct, mass_kg : float64 array, shape (corners + 1,)
        Up the forward limit, down the aft limit, and back to the first corner.

    Raises
    ------
    UsageError
        If the range does not rise.
    """
    low, high = mass_range_kg
    if not low < high:
        raise UsageError(
            argument="mass_range_kg",
            expected="a lower mass, then a higher one",
            got=mass_range_kg,
            cure="Swap or widen them.",
        )
    sides = []
    for side in ("forward", "aft"):
        mass, pct = limits.points(side)
        inside = (mass > low) & (mass < high)
        ends = limits.limit([low, high], side=side)
        masses = np.concatenate([[low], mass[inside], [high]])
        sides.append((np.concatenate([ends[:1], pct[inside], ends[1:]]), masses))
    (forward, up), (aft, down) = sides
    cg = np.concatenate([forward, aft[::-1], forward[:1]])
    return cg, np.concatenate([up, down[::-1], up[:1]])
