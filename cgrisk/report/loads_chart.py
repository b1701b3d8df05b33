"""Planned CG points of past loads inside the certified, the old and the new envelope."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from cgrisk.aircraft import Limits, certified_limits, curtailed
from cgrisk.decide.past_loads import LoadScores
from cgrisk.flight import IN_FLIGHT
from cgrisk.report.style import AFT, FORWARD, GREY, INK
from cgrisk.scenario import Scenario

__all__ = ["envelope_points"]

Floats = NDArray[np.float64]

_GRID: Final = 400
#: More points than this are drawn as a picture, for a file that can be opened.
_MOST_DRAWN: Final = 2000
#: Kind of mass -> (its axis, what the limits beside it are)
_TITLES: Final = {
    "zero_fuel": (
        "zero-fuel mass",
        "certified and old: narrowest of\nall phases, for sight only",
    ),
    "take_off": ("take-off mass", "limits at take-off"),
    "landing": ("landing mass", "limits at landing"),
}
#: Verdict -> (marker, colour, size, words): told apart by shape first.
_MARKS: Final = {
    "": ("o", INK, 3.2, "admitted"),
    "forward": ("<", FORWARD, 6.0, "refused forward"),
    "aft": (">", AFT, 6.0, "refused aft"),
    "both": ("X", INK, 6.0, "refused on both sides"),
}


def _of_phases(scenario: Scenario, kind: str, *, curtail: bool) -> list[Limits]:
    """Return the limits that are drawn for a kind of mass: of its phase, or of all phases."""
    certified = certified_limits(scenario.aircraft)
    operational = scenario.operation.operational_envelope
    flown = {phase.kind for phase in scenario.operation.phases}
    out = []
    for phase in sorted(flown) if kind == "zero_fuel" else [kind]:
        limits = certified[phase]
        if curtail and operational is not None:
            group = (
                operational.in_flight if phase in IN_FLIGHT else operational.take_off_and_landing
            )
            limits = curtailed(limits, forward_pct=group.forward, aft_pct=group.aft)
        out.append(limits)
    return out


def _outline(limits: Sequence[Limits], mass_kg: Floats) -> tuple[Floats, Floats]:
    """Return the forward and aft limit of the narrowest of some envelopes."""
    forward = np.max([one.limit(mass_kg, side="forward") for one in limits], axis=0)
    aft = np.min([one.limit(mass_kg, side="aft") for one in limits], axis=0)
    return forward, aft


def envelope_points(scores: LoadScores, *, kind: str, ax: Axes) -> Axes:
    """Draw the planned points of all loads at one kind of mass, and the limits around them.

    At zero-fuel mass no certified limit holds, for nobody flies there: the narrowest of all phases
    is drawn, to see how near a load comes.

    Parameters
    ----------
    scores : LoadScores
    kind : str
        zero_fuel, take_off or landing.
    ax : matplotlib.axes.Axes
        Where to draw: CG in % MAC across, mass in tonnes up.
    """
    points = np.array([load.points[kind] for load in scores.loads])
    sides = []
    for load in scores.loads:
        verdict = load.verdict(scores.judged_by)
        sides.append("" if verdict is None else verdict.side)
    span = max(float(np.ptp(points[:, 0])), 1000.0)
    masses = np.linspace(points[:, 0].min() - 0.08 * span, points[:, 0].max() + 0.08 * span, _GRID)
    drawn = [("certified limits", _of_phases(scores.scenario, kind, curtail=False), INK, "-", 1.5)]
    if scores.scenario.operation.operational_envelope is not None:
        old = _of_phases(scores.scenario, kind, curtail=True)
        drawn.append(("old envelope", old, GREY, "--", 1.2))
    new = None if scores.envelope is None else scores.envelope.limits(kind)
    if new is not None:
        drawn.append(("new envelope", [new], AFT, "-.", 1.4))
    for label, limits, colour, style, width in drawn:
        for place, edge in enumerate(_outline(limits, masses)):
            ax.plot(
                edge,
                masses / 1e3,
                color=colour,
                ls=style,
                lw=width,
                label=label if place == 0 else None,
            )
    for side, (marker, colour, size, words) in _MARKS.items():
        here = np.array([found == side for found in sides])
        if side in ("", "forward", "aft") or here.any():
            ax.plot(
                points[here, 1],
                points[here, 0] / 1e3,
                ls="",
                marker=marker,
                ms=size,
                mew=0.7,
                mec=INK,
                mfc="white" if side == "" else colour,
                label=words,
                zorder=3,
                rasterized=len(sides) > _MOST_DRAWN,
            )
    ax.set_xlabel("planned CG, % MAC")
    axis, limits_text = _TITLES[kind]
    ax.set_ylabel(f"{axis}, t")
    ax.set_title(limits_text, fontsize=7.5)
    return ax
