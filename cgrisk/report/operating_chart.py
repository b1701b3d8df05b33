"""The operational envelope inside the certified one, by kind of mass."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from cgrisk.aircraft import certified_limits, curtailed
from cgrisk.decide.buffers import Buffers
from cgrisk.decide.operating_envelope import OperatingEnvelope, operating_envelope
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.flight import SIDES
from cgrisk.report.style import AFT, FORWARD, GREY, INK

__all__ = ["OWN_LINE", "envelope_frame", "operating_limits", "own_limits"]

Floats = NDArray[np.float64]

#: How an operator's own envelope is drawn.
OWN_LINE: Final[dict[str, Any]] = {"color": INK, "lw": 1.4, "ls": ":"}

_TITLES = {"zero_fuel": "zero-fuel mass", "take_off": "take-off mass", "landing": "landing mass"}


def envelope_frame(buffers: Buffers, *, envelope: OperatingEnvelope) -> pd.DataFrame:
    """Return what the chart shows.

    Returns
    -------
    pandas.DataFrame
        mass_kind, mass_kg, side, certified (% MAC; at zero-fuel mass: what certified limits leave
        with any fuel), new, in_use (nan where the scenario has no curtailments, and at zero-fuel
        mass, for which it states none).
    """
    nothing = tuple(replace(b, upper_kgm=0.0, assumed_kgm=float("nan")) for b in buffers.found)
    bare = operating_envelope(replace(buffers, found=nothing)).envelope
    operation = buffers.ask.scenario.operation
    certified = certified_limits(buffers.ask.scenario.aircraft)
    frames = []
    for kind in _TITLES:
        new, old = envelope.envelope.limits(kind), bare.limits(kind)
        if new is None or old is None:
            continue
        for side in SIDES:
            mass, pct = new.points(side)
            used = np.full(mass.size, np.nan)
            if kind != "zero_fuel" and operation.operational_envelope is not None:
                group = operation.operational_envelope.take_off_and_landing
                limits = curtailed(certified[kind], forward_pct=group.forward, aft_pct=group.aft)
                used = limits.limit(mass, side=side)
            frames.append(
                pd.DataFrame(
                    {
                        "mass_kind": kind,
                        "mass_kg": mass,
                        "side": side,
                        "certified": old.limit(mass, side=side),
                        "new": pct,
                        "in_use": used,
                    }
                )
            )
    return pd.concat(frames, ignore_index=True)


def operating_limits(frame: pd.DataFrame, *, ax: Axes, kind: str) -> Axes:
    """Draw one kind of mass: certified limits, the new envelope, the one in use.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`envelope_frame`.
    ax : matplotlib.axes.Axes
        Where to draw: CG in % MAC across, mass in tonnes up.
    kind : str
        zero_fuel, take_off or landing.
    """
    here = frame[frame["mass_kind"] == kind]
    sides = {str(side): part for side, part in here.groupby("side")}
    mass = sides["aft"]["mass_kg"].to_numpy() / 1e3
    new = {side: part["new"].to_numpy() for side, part in sides.items()}
    room = new["aft"] >= new["forward"]
    ax.fill_betweenx(mass, new["forward"], new["aft"], where=room, color=GREY, alpha=0.18, lw=0)
    for side, colour in (("forward", FORWARD), ("aft", AFT)):
        part = sides[side]
        tonnes = part["mass_kg"] / 1e3
        ax.plot(part["certified"], tonnes, color=INK, lw=1.6)
        ax.plot(part["new"], tonnes, color=colour, lw=1.8)
        ax.plot(part["in_use"], tonnes, color=INK, lw=1.0, ls="--")
        where = int(0.55 * (len(part) - 1))
        gap = abs(float(part["certified"].iloc[where] - part["new"].iloc[where]))
        ax.annotate(
            f"{gap:.1f}",
            (
                0.5 * float(part["certified"].iloc[where] + part["new"].iloc[where]),
                tonnes.iloc[where],
            ),
            ha="center",
            va="bottom",
            fontsize=7.5,
            color=colour,
        )
    title = _TITLES[kind]
    if not room.all():
        title += "\nno room where sides cross"
    ax.set_title(title)
    ax.set_xlabel("centre of gravity, % MAC")
    ax.set_ylabel("mass, t")
    return ax


def own_limits(own: OperatorEnvelope, *, ax: Axes, kind: str) -> Axes:
    """Draw an operator's own limits over those of the same kind of mass, where it has them.

    Parameters
    ----------
    own : OperatorEnvelope
    ax : matplotlib.axes.Axes
        From :func:`operating_limits`.
    kind : str
        zero_fuel, take_off or landing.
    """
    limits = own.limits(kind)
    if limits is None:
        return ax
    bottom, top = ax.get_ylim()
    for side in SIDES:
        corners = limits.points(side)[0] / 1e3
        inside = corners[(corners > bottom) & (corners < top)]
        mass = np.concatenate([[bottom], inside, [top]])
        ax.plot(limits.limit(1e3 * mass, side=side), mass, **OWN_LINE)
    ax.set_ylim(bottom, top)
    return ax
