"""Checks of what an aircraft file means: masses, CG, certified envelopes, holds, flaps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Final

from cgrisk.scenario.aircraft_file import (
    DryUncertainty,
    Envelope,
    Flap,
    Hold,
    LimitsReferTo,
    Masses,
    Reference,
)
from cgrisk.scenario.document import shown
from cgrisk.scenario.fields import figure
from cgrisk.scenario.problems import Check, Problem, in_units, repeated, unknown_names
from cgrisk.units import UnitSystem

__all__ = ["AIRCRAFT_CHECKS"]

Points = Sequence[tuple[float, float]]

#: From the lightest up: each may not exceed the next.
_MASSES_UPWARD: Final = (
    ("dry_operating", "dry operating mass"),
    ("max_zero_fuel", "maximum zero-fuel mass"),
    ("max_landing", "maximum landing mass"),
    ("max_take_off", "maximum take-off mass"),
    ("max_taxi", "maximum taxi mass"),
)
_CG_FORMS: Final = ("dry_operating_cg", "dry_operating_arm", "dry_operating_index")
#: A dry operating CG outside of this (% MAC) means mistaken units or another index formula.
_SANE_CG: Final = (-50.0, 150.0)
#: Least dry operating mass: twice the coarsest rounding of masses on a load sheet.
_LEAST_DRY_KG: Final = 200.0
#: Shortest chord; less means another unit.
_LEAST_MAC_M: Final = 0.3
#: Largest error of the dry operating mass, as a share of it.
_SANE_DRY_ERROR: Final = 0.2


def _masses_upward(masses: Masses, system: UnitSystem) -> Iterator[Problem]:
    if masses.dry_operating < _LEAST_DRY_KG:
        yield Problem(
            ("masses", "dry_operating"),
            f"at least {in_units(_LEAST_DRY_KG, 'mass', system)}",
            in_units(masses.dry_operating, "mass", system),
            "State the mass of the aircraft with crew and pantry, in the units of the file.",
        )
    for (lower, _), (upper, upper_name) in pairwise(_MASSES_UPWARD):
        value, limit = getattr(masses, lower), getattr(masses, upper)
        if value > limit:
            yield Problem(
                ("masses", lower),
                f"at most the {upper_name} of {in_units(limit, 'mass', system)}",
                in_units(value, "mass", system),
                f"Correct {lower} or {upper}.",
            )


def _chord(reference: Reference, system: UnitSystem) -> Iterator[Problem]:
    if reference.mac < _LEAST_MAC_M:
        yield Problem(
            ("reference", "mac"),
            f"at least {in_units(_LEAST_MAC_M, 'length', system)}",
            in_units(reference.mac, "length", system),
            "Check the unit of the chord.",
        )


def _one_cg_form(masses: Masses, _system: UnitSystem) -> Iterator[Problem]:
    given = [form for form in _CG_FORMS if getattr(masses, form) is not None]
    if len(given) != 1:
        yield Problem(
            ("masses", given[1]) if given else ("masses",),
            f"exactly one of {', '.join(_CG_FORMS)}",
            " and ".join(given) or "none of them",
            "Keep the one that the weighing report states."
            if given
            else "Give the dry operating CG as the weighing report states it.",
        )


def dry_cg_pct(masses: Masses, reference: Reference) -> float | None:
    """Return the dry operating CG (% MAC) where exactly one form of it is given."""
    given = [form for form in _CG_FORMS if getattr(masses, form) is not None]
    if len(given) != 1:
        return None
    if masses.dry_operating_cg is not None:
        return masses.dry_operating_cg
    arm = masses.dry_operating_arm
    if masses.dry_operating_index is not None:
        if masses.dry_operating < _LEAST_DRY_KG:
            return None
        index = masses.dry_operating_index - reference.index_constant
        arm = reference.index_arm + index * reference.index_scale / masses.dry_operating
    return None if arm is None else 100.0 * (arm - reference.lemac) / reference.mac


def _sane_dry_cg(masses: Masses, reference: Reference, _system: UnitSystem) -> Iterator[Problem]:
    cg = dry_cg_pct(masses, reference)
    low, high = _SANE_CG
    if cg is not None and not low <= cg <= high:
        form = next(form for form in _CG_FORMS if getattr(masses, form) is not None)
        yield Problem(
            ("masses", form),
            f"a dry operating CG from {low:g} to {high:g} % MAC",
            f"{figure(cg)} % MAC by this file's chord and index formula",
            "Check the units, lemac and mac, and the index formula under reference.",
        )


def _dry_errors(doubt: DryUncertainty, masses: Masses, system: UnitSystem) -> Iterator[Problem]:
    most = _SANE_DRY_ERROR * masses.dry_operating
    for key in ("mass_bias", "mass_sd_aircraft", "mass_sd_flight"):
        value = getattr(doubt, key)
        if abs(value) > most:
            yield Problem(
                ("dry_uncertainty", key),
                f"at most a fifth of the dry operating mass, {in_units(most, 'mass', system)}",
                in_units(value, "mass", system),
                "State the error of one aircraft's dry operating mass, not the mass itself.",
            )


def _limit(points: Points, mass: float, narrower: Callable[[Iterable[float]], float]) -> float:
    """Return a limit (% MAC) at a mass: the narrower one at a step, constant beyond the ends."""
    at = [pct for m, pct in points if m == mass]
    if at:
        return narrower(at)
    below = [point for point in points if point[0] < mass]
    above = [point for point in points if point[0] > mass]
    if not below or not above:
        return (above or below[-1:])[0][1]
    (m0, p0), (m1, p1) = below[-1], above[0]
    return p0 + (p1 - p0) * (mass - m0) / (m1 - m0)


def _envelope_points(envelopes: Sequence[Envelope], system: UnitSystem) -> Iterator[Problem]:
    for number, envelope in enumerate(envelopes):
        sides = {"forward": envelope.forward, "aft": envelope.aft}
        faulty = False
        for side, points in sides.items():
            for problem in _mass_order(points, ("envelopes", number, side), system):
                faulty = True
                yield problem
        if not faulty:
            yield from _crossing(envelope, number, system)


def _mass_order(
    points: Points, path: tuple[str | int, ...], system: UnitSystem
) -> Iterator[Problem]:
    masses = [mass for mass, _ in points]
    for i, (before, after) in enumerate(pairwise(masses), start=1):
        if after < before:
            yield Problem(
                (*path, i),
                f"a mass of at least {in_units(before, 'mass', system)}, that of the point before",
                in_units(after, "mass", system),
                "Give the points from the lowest mass up.",
            )
        elif i >= 2 and after == masses[i - 2]:
            yield Problem(
                (*path, i),
                "at most two points at one mass, which make a step",
                f"a third at {in_units(after, 'mass', system)}",
                "Take the middle one away.",
            )


def _crossing(envelope: Envelope, number: int, system: UnitSystem) -> Iterator[Problem]:
    """Report the first mass at which no CG is inside; between points both sides are straight."""
    for mass in sorted({mass for mass, _ in (*envelope.forward, *envelope.aft)}):
        forward, aft = _limit(envelope.forward, mass, max), _limit(envelope.aft, mass, min)
        if not forward < aft:
            yield Problem(
                ("envelopes", number, "aft"),
                "a forward limit that lies forward of the aft limit at every mass",
                f"forward {figure(forward)} and aft {figure(aft)} % MAC at "
                f"{in_units(mass, 'mass', system)}",
                "Correct the points; the first number of each is the mass, the second % MAC.",
            )
            return


def _one_envelope_a_phase(envelopes: Sequence[Envelope], _system: UnitSystem) -> Iterator[Problem]:
    governed: dict[str, int] = {}
    for number, envelope in enumerate(envelopes):
        for place, kind in enumerate(envelope.phases):
            if kind in governed:
                yield Problem(
                    ("envelopes", number, "phases", place),
                    "each kind of phase governed by one envelope",
                    f"{shown(kind)}, which envelopes[{governed[kind]}] governs already",
                    "Take the phase out of one of them.",
                )
            governed.setdefault(kind, number)


def _holds(holds: Sequence[Hold], _system: UnitSystem) -> Iterator[Problem]:
    yield from repeated([hold.name for hold in holds], ("holds",), of="hold")


def _flaps(flaps: Sequence[Flap], refers: LimitsReferTo, _system: UnitSystem) -> Iterator[Problem]:
    names = [flap.name for flap in flaps]
    yield from repeated(names, ("flaps",), of="flap position")
    if refers.flaps is not None:
        path = ("limits_refer_to", "flaps")
        yield from unknown_names([(path, refers.flaps)], names, of="flap position")


#: Checks of an aircraft file by itself; cabin and fuel have files of their own.
AIRCRAFT_CHECKS: Final = (
    Check(("masses",), _masses_upward),
    Check(("reference",), _chord),
    Check(("masses",), _one_cg_form),
    Check(("masses", "reference"), _sane_dry_cg),
    Check(("dry_uncertainty", "masses"), _dry_errors),
    Check(("envelopes",), _envelope_points),
    Check(("envelopes",), _one_envelope_a_phase),
    Check(("holds",), _holds),
    Check(("flaps", "limits_refer_to"), _flaps),
)
