"""The conventional, deterministic stack of worst cases that comes off a certified CG envelope.

The list of causes is that of FAA AC 120-27 and of EASA AMC1 CAT.POL.MAB.100(a): seating, passenger
masses in small cabins, movement of passengers, crew and carts, fuel density and distribution, gear
and flaps, fluids, place of the load in the holds, dry operating mass and CG. Nothing is sampled.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pandas as pd

from cgrisk.decide import conventional_causes as causes
from cgrisk.decide.conventional_fuel import density_moments, gauge_moments
from cgrisk.decide.conventional_seating import RECKONINGS, Reckoning, ZoneSeating, zone_seating
from cgrisk.decide.conventional_table import (
    CAUSES,
    BufferLine,
    ConventionalBuffers,
    Reckoned,
    moment_index,
    moment_pct_mac,
)
from cgrisk.errors import UsageError
from cgrisk.flight import SIDES, FlightModel, group_phases
from cgrisk.rare import envelope_score
from cgrisk.rare.score import reference_arm

__all__ = [
    "OMITTED",
    "SMALL_CABIN",
    "ConventionalBuffers",
    "conventional_buffers",
    "moment_index",
    "moment_pct_mac",
]

#: Cabins with fewer seats count the passengers' own masses: those for which EU Air Ops
#: CAT.POL.MAB states standard masses of their own.
SMALL_CABIN: Final = 20
#: What the stack leaves out, and why.
OMITTED: Final = (
    ("fuel use", "the planned path already follows the burn schedule."),
    ("uneven burn", "transfers that fail or come late have no conventional figure."),
    ("last-minute changes", "the load sheet is corrected for them."),
    ("standard masses", "those of passengers and bags are taken to be right on the mean."),
    ("weighed cargo", "what is weighed is taken as weighed."),
    ("rounding", "the rounding of the load sheet is taken as nothing."),
    ("seat changes, crowds", "more than one passenger up at once has no conventional figure."),
)


def _seating(
    seating: tuple[ZoneSeating, ...], *, side: str, reckoning: Reckoning, scope: str
) -> Reckoned:
    here = [zone for zone in seating if zone.side == side]
    moment = sum(zone.moment_kgm(reckoning) for zone in here)
    parts = ", ".join(f"{zone.zone} {zone.moment_kgm(reckoning):,.0f}" for zone in here)
    end = "front" if side == "forward" else "rear"
    count = (
        "the largest running moment over all counts"
        if reckoning == "classic"
        else "the moment of exactly the load sheet's count"
    )
    where = "zones added up" if scope == "zone" else "the cabin as one zone"
    return Reckoned(
        moment,
        f"windows, aisle, then other seats filled from the {end}, {count} about the load sheet's "
        f"arm, {where} ({parts}; method: FAA AC 120-27).",
    )


def _density_limits(
    model: FlightModel, limits: tuple[float, float] | None
) -> tuple[float, float, str]:
    fuel = model.program.fuel
    if limits is None:
        spread = causes.DEVIATIONS * fuel.density_sd
        low, high = fuel.density_mean - spread, fuel.density_mean + spread
        word = "2 SD (common practice, no published source) either way"
    else:
        (low, high), word = limits, "the limits that were stated"
    if not 0.0 < low <= high < float("inf"):
        raise UsageError(
            argument="density_limits_kgpm3",
            expected="a least and a greatest density above 0 kg/m3",
            got=(low, high),
            cure="Give two densities of the fuel, for instance (775, 840).",
        )
    return low, high, word


def conventional_buffers(
    model: FlightModel,
    *,
    reckoning: Reckoning = "classic",
    movers: int = 1,
    density_limits_kgpm3: tuple[float, float] | None = None,
    small_cabin: int = SMALL_CABIN,
) -> ConventionalBuffers:
    """Return what must come off the certified limits by the conventional stack of worst cases.

    Every moment is toward a side and at least 0. Where a difference in mass counts, it counts
    about the arm that :func:`cgrisk.rare.score.reference_arm` gives for the side and group, as in
    the sampled excess. Two SD stand for the worst of what varies by chance: common practice, no
    published source.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly, at its load state.
    reckoning : str, default classic
        Seating: ``classic`` takes the largest running moment over every count in a zone, whatever
        the load state's own; ``state`` takes exactly the load state's count.
    movers : int, default 1
        Passengers who are at a lavatory, or wait at it, at once in flight.
    density_limits_kgpm3 : tuple of float, optional
        Least and greatest fuel density; two SD about the operation's mean if not given.
    small_cabin : int, default 20
        Cabins with fewer seats than this count the passengers' own masses.

    Returns
    -------
    ConventionalBuffers

    Raises
    ------
    UsageError
        If a choice is not one of those described.
    """
    if reckoning not in RECKONINGS:
        raise UsageError(
            argument="reckoning",
            expected=" or ".join(RECKONINGS),
            got=reckoning,
            cure="classic holds for every count; state for the load state's own.",
        )
    if movers < 0:
        raise UsageError(
            argument="movers",
            expected="a number of passengers, at least 0",
            got=movers,
            cure="The conventional number is 1.",
        )
    limits = _density_limits(model, density_limits_kgpm3)
    seating = zone_seating(model)
    phases = group_phases(model)
    groups = [name for name in ("take_off_and_landing", "in_flight") if phases[name]]
    lines: list[BufferLine] = []
    for group in groups:
        for side in SIDES:
            reckoned = _reckon(
                model,
                side=side,
                group=group,
                seating=_seating(
                    seating,
                    side=side,
                    reckoning=reckoning,
                    scope=model.scenario.operation.seating.scope,
                ),
                movers=movers,
                density=limits,
            )
            for cause in CAUSES:
                if cause not in reckoned:
                    continue
                moment, how = reckoned[cause]
                counted = cause != "passenger mass" or model.plan.seats < small_cabin
                if not counted:
                    how = f"not counted in a cabin of {small_cabin} seats or more; would be {how}"
                lines.append(BufferLine(cause, side, group, moment * counted, counted, moment, how))
    columns = list(ZoneSeating.__slots__)
    masses = model.planned.groupby("phase", observed=True)["mass_kg"].min()
    return ConventionalBuffers(
        lines=tuple(lines),
        zones=pd.DataFrame([[getattr(z, c) for c in columns] for z in seating], columns=columns),
        omitted=OMITTED,
        reckoning=reckoning,
        lowest_mass_kg={g: float(min(masses[p] for p in phases[g])) for g in groups},
        balance=model.balance,
    )


def _reckon(
    model: FlightModel,
    *,
    side: str,
    group: str,
    seating: Reckoned,
    movers: int,
    density: tuple[float, float, str],
) -> dict[str, Reckoned]:
    """Return what each cause makes on a side in a group of phases."""
    sign = -1.0 if side == "forward" else 1.0
    about_m = reference_arm(model, score=envelope_score(model, side=side, group=group))
    low, high, word = density
    fuel: dict[str, Callable[[], Reckoned]] = {
        "fuel density": lambda: Reckoned(
            density_moments(model, group=group, about_m=about_m, sign=sign, limits=(low, high)),
            f"the planned mass of fuel at {low:g} or {high:g} kg/m3 instead of "
            f"{model.program.fuel.planned_density:g}, {word}; the worst instant of these phases.",
        ),
        "fuel gauges": lambda: Reckoned(
            gauge_moments(
                model, group=group, about_m=about_m, sign=sign, deviations=causes.DEVIATIONS
            ),
            "each tank off its gauge by 2 SD (common practice, no published source), the worse "
            "way, followed down the burn schedule to the worst instant of these phases; tanks "
            "added up.",
        ),
    }
    found = {
        "seating": seating,
        "passenger mass": causes.passenger_mass(model, about_m=about_m, sign=sign),
        "water to waste": causes.water_to_waste(model, group=group, sign=sign),
        "landing gear": causes.configuration(model, group=group, sign=sign, part="gear"),
        "flaps": causes.configuration(model, group=group, sign=sign, part="flaps"),
        "dry operating mass": causes.dry_mass(model, about_m=about_m, sign=sign),
        "dry operating CG": causes.dry_cg(model, sign=sign),
        "hold load position": causes.hold_places(model),
        "misplaced bags": causes.bags_misplaced(model, sign=sign),
    }
    found |= {name: reckon() for name, reckon in fuel.items()}
    if group == "in_flight":
        found["lavatory walk"] = causes.passengers_to_lavatory(model, sign=sign, movers=movers)
        found["carts and crew"] = causes.carts_and_crew(model, sign=sign)
    return found
