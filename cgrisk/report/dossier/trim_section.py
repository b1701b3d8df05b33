"""Take-off trim, and the stabilizer in flight."""

from __future__ import annotations

from typing import Final

from cgrisk.report.dossier.figures import fixed
from cgrisk.report.dossier.findings import Findings
from cgrisk.report.dossier.parts import Block, Cell, Section, Table, columns, said
from cgrisk.report.dossier.run_sections import run_figure
from cgrisk.report.dossier.tables import (
    named,
    number,
    percent,
    probability,
    significant,
    table_of,
    whole,
    words,
)
from cgrisk.risk.trim import SETTING_NOTE, trim_left_out

__all__ = ["trim_section"]

#: Figure of the take-off, its words and decimals.
_FIGURES: Final = {
    "setting_made_units": ("setting made by the load sheet, trim units", 1),
    "setting_needed_by_plan_units": ("setting the planned CG needs, trim units", 2),
    "units_per_pct_mac": ("trim units per % MAC", 3),
    "mis_trim_5_pct_units": ("made less needed, 5 % of flights are below, trim units", 2),
    "mis_trim_95_pct_units": ("made less needed, 95 % are below, trim units", 2),
    "mis_trim_5_pct_as_cg_aft_pct_mac": ("the former as a CG error aft, % MAC", 2),
    "mis_trim_95_pct_as_cg_aft_pct_mac": ("the latter as a CG error aft, % MAC", 2),
    "trim_band_least_units": ("take-off trim band (given), least, trim units", 1),
    "trim_band_most_units": ("take-off trim band (given), most, trim units", 1),
    "usable_band_least_units": ("usable band (computed), least, trim units", 2),
    "usable_band_most_units": ("usable band (computed), most, trim units", 2),
    "vr_kt": ("VR, kt", 1),
    "v2_kt": ("V2, kt", 1),
}
_EVENTS: Final = {
    "uncommanded_rotation": "the nose lifts by itself up to VR (tail-strike risk)",
    "no_rotation": "does not rotate at VR with the stated pull",
    "nose_lifts_at_release": "the nose lifts at brake release",
    "needed_outside_band": "the setting needed is outside the take-off trim band",
    "nose_up_stop": "demand beyond the nose-up stop",
    "nose_down_stop": "demand beyond the nose-down stop",
    "rate": "elevator share used up while trim lags",
}
_LIMITS: Final = {
    "static_margin": "static margin, % MAC",
    "manoeuvre_margin": "manoeuvre margin, % MAC",
    "flare_elevator": "elevator in the flare, deg",
}
_RISK: Final = 0.01


def _figures(findings: Findings) -> list[Block]:
    frame = findings.table("take_off_setting")
    if frame.empty:
        return []
    values = dict(zip(frame["figure"], frame["value"], strict=True))
    rows = tuple(
        (Cell(text), Cell(fixed(values[name], digits, signed="mis_trim" in name)))
        for name, (text, digits) in _FIGURES.items()
        if name in values
    )
    return [Table("The take-off setting", columns("3:figure", "#value"), rows)]


def trim_section(findings: Findings) -> Section:
    """Return take-off and trim in flight; what the data do not allow is said."""
    risk, take_off = findings.table("trim_risk"), findings.table("take_off_risk")
    authority, margins = findings.table("trim_authority"), findings.table("trim_margins")
    rate, crew = findings.table("trim_rate"), findings.table("crew")
    blocks: list[Block | None] = [
        *said(*trim_left_out(findings.run.model), kind="warning"),
        run_figure(
            findings,
            "take_off_setting",
            caption="The setting made at take-off beside those that the flights needed, with the "
            "take-off trim band (given) and the usable band (computed)",
            alt="Shares of flights by the trim setting they needed, with the setting made and "
            "both bands marked.",
        ),
        *_figures(findings),
    ]
    if not take_off.empty:
        take_off = take_off.assign(event=[_EVENTS.get(e, e) for e in take_off["event"]])
        blocks.append(
            table_of(
                take_off,
                [
                    words("event", "event", weight=2.5),
                    number("cg_error_needed_pct_mac", "CG error it needs, % MAC", 1, signed=True),
                    whole("hits", "flights"),
                    probability(),
                ],
                caption="What a take-off setting from the wrong CG would lead to: how large a CG "
                "error it needs (aft positive), and how likely it is",
            )
        )
    blocks.append(
        run_figure(
            findings,
            "stabilizer",
            caption="What the stabilizer must do between its stops, and how far that goes beyond "
            "the planned demand",
            alt="Stabilizer angle over the flight with bands of flights and both stops; below, the "
            "demand less the planned one.",
        )
    )
    if not authority.empty:
        blocks += [
            table_of(
                authority[authority["risk"] == _RISK],
                [
                    named("phase", "phase", key="phase"),
                    named("direction", "direction"),
                    number("planned_deg", "planned, deg", 2, signed=True),
                    number("reserve_deg", "to reserve beyond it, deg", 2),
                    number("left_deg", "left to the stop, deg", 1),
                ],
                caption=f"Trim authority to reserve at a risk of {_RISK:g} a flight (upper "
                "confidence bounds)",
                note=f"The risk of {_RISK:g} is cgrisk's own default, to have one to show: no "
                "authority publishes one. Other risks: summaries/trim_authority.csv. "
                f"{SETTING_NOTE}",
            ),
            table_of(
                risk.assign(event=[_EVENTS.get(e, e) for e in risk["event"]])[
                    risk["phase"] == "any"
                ],
                [words("event", "event", weight=2.5), whole("hits", "flights"), probability()],
                caption="Demand beyond a stop, or beyond what the elevator can hold, in any phase",
            ),
            table_of(
                rate[rate["probability"] == rate["probability"].max()],
                [
                    named("phase", "phase", key="phase"),
                    significant("probability", "share of flights below", 3),
                    number("lag_deg", "lag of the stabilizer, deg", 2),
                    number("elevator_deg", "elevator that holds it, deg", 2),
                    percent("share", "of the elevator, %", 1),
                ],
                caption="How far the stabilizer lags behind the demand",
            ),
            table_of(
                margins[margins["at"] != "planned"].assign(
                    figure=[
                        _LIMITS.get(f, f) for f in margins[margins["at"] != "planned"]["figure"]
                    ]
                ),
                [
                    named("phase", "phase", key="phase"),
                    words("figure", "margin", weight=1.5),
                    words("at", "at the", weight=1.8),
                    number("value", "value", 1, signed=True),
                    number("limit", "limit", 1, signed=True),
                ],
                caption="Stability and control at the CGs that flights reach",
            ),
        ]
    if not crew.empty:
        most = crew[crew["phase"].isin(("take_off", "cruise"))]
        blocks.append(
            table_of(
                most.assign(way=most["from_zone"] + " to " + most["to_zone"]),
                [
                    named("phase", "phase", key="phase"),
                    whole("people", "people"),
                    words("way", "zones"),
                    number("cg_shift_pct_mac", "CG, % MAC", 2, signed=True),
                    number("trim_units", "trim, units", 2, signed=True),
                    number("elevator_deg", "elevator, deg", 1, signed=True),
                ],
                caption="For the flight crew: what people in another zone than on the load sheet "
                "do to trim",
                note="All phases: summaries/crew.csv.",
            )
        )
    return Section("trim", "Trim and take-off", tuple(b for b in blocks if b))
