"""Buffers in words: a table by side and phases, what stands beside it, and what to do."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from cgrisk.decide.beside import KINDS
from cgrisk.decide.buffers import Buffer, Buffers
from cgrisk.decide.envelope_proof import PROOF_CONFIDENCE
from cgrisk.decide.operating_envelope import OperatingEnvelope
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.report.file_units import FileUnits
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.summary import CAUTIONS, plain

__all__ = ["BufferStudy", "buffer_answer", "buffer_decisions", "buffer_text", "own_excess"]

#: Stands under every buffer.
AGREEMENT: Final = (
    "No authority publishes a target for leaving a CG envelope: limits hold in every phase, and "
    "the risk is yours. A buffer below the conventional one needs the authority's agreement."
)
#: What the stated confidence is of.
COVERS: Final = (
    "The confidence is that of the quantile in the load found: the search for the worst load and "
    "the distance of the assumptions have none (loads found on other seeds gave quantiles within "
    "some 2 % of each other)."
)
_PHASES: Final = {"take_off_and_landing": "take-off and landing", "in_flight": "in flight"}


@dataclass(frozen=True, slots=True)
class BufferStudy:
    """Buffers with what was made of them.

    Attributes
    ----------
    buffers : Buffers
    beside : pandas.DataFrame
        From :func:`cgrisk.decide.beside.beside_table`.
    envelope : OperatingEnvelope
    proof : pandas.DataFrame
        From :func:`cgrisk.decide.envelope_proof.prove_envelope`; empty where left out.
    own : OperatorEnvelope or None
        The operator's own envelope, which is then the one that was proved.
    """

    buffers: Buffers
    beside: pd.DataFrame
    envelope: OperatingEnvelope
    proof: pd.DataFrame = field(default_factory=pd.DataFrame)
    own: OperatorEnvelope | None = None

    @property
    def fails(self) -> bool:
        """Whether loads on the edge were significantly over the accepted risk."""
        return not self.proof.empty and bool(self.proof["over"].any())


def governing(buffers: Buffers, *, side: str, group: str) -> Buffer:
    """Return the largest buffer (kg m) of a side and group."""
    return max(buffers.of(side=side, group=group), key=lambda b: b.buffer_kgm)


def _row_text(estimate: float, low: float, high: float, *, short: bool = False) -> str:
    if estimate <= 0.0:
        return f"under {high:.1g}"
    if high >= 1.0:
        return f"over {low:.1g}"
    return f"{estimate:.2g}" if short else chance_text(estimate, low=low, high=high)


def _table_lines(study: BufferStudy, side: str, group: str) -> list[str]:
    buffers, beside = study.buffers, study.beside
    units = FileUnits.of(buffers.ask.scenario)
    lines = [
        f"{side.capitalize()}, {_PHASES[group]}",
        f"  {'zero-fuel':>10}{'people':>8}{'quantile':>10}{'bound':>9}{'assumed':>9}"
        f"{'buffer':>9}{'% MAC':>7}   {'straight sum leaves':<28}{'root of squares leaves':<28}"
        "in use leaves",
    ]
    for b in buffers.of(side=side, group=group):
        here = beside[
            (beside["side"] == side) & (beside["group"] == group) & (beside["mass_kg"] == b.mass_kg)
        ].set_index("kind")

        def cell(kind: str, frame: pd.DataFrame = here) -> str:
            if kind not in frame.index:
                return "none"
            row = frame.loc[[kind], ["moment_kgm", "risk", "risk_high"]].to_numpy(dtype=np.float64)
            moment, risk, high = row[0].tolist()
            return f"{units.moment(moment)}: " + (
                f"{risk:.2g}" if risk > 0.0 else f"under {high:.1g}"
            )

        assumed = "left out" if math.isnan(b.assumed_kgm) else units.moment(b.assumed_kgm)
        percent = 100.0 * b.buffer_kgm / (b.mass_kg * buffers.model.balance.mac_m)
        lines.append(
            f"  {b.mass_kg * units.scale('mass'):>10,.0f}{b.load.state.passengers:>8}"
            f"{units.moment(b.estimate_kgm):>10}"
            f"{units.moment(b.upper_kgm - b.estimate_kgm, '+,.0f'):>9}{assumed:>9}"
            f"{units.moment(b.buffer_kgm):>9}{percent:>7.2f}"
            f"   {cell('straight'):<28}{cell('root_squares'):<28}{cell('in_use')}"
        )
    return lines


def _split_lines(buffers: Buffers, side: str, group: str) -> list[str]:
    b, units = governing(buffers, side=side, group=group), FileUnits.of(buffers.ask.scenario)
    if b.shares is None:
        return [f"  No split at {units.mass(b.mass_kg)}: too few flights at the quantile."]
    lines = [f"  At {units.mass(b.mass_kg)} ({b.load.how}) it is made of"]
    for by in ("cause", "zone"):
        table = buffers.split(by=by)
        here = table[
            (table["side"] == side) & (table["group"] == group) & (table["mass_kg"] == b.mass_kg)
        ]
        if by == "zone":
            zones = set(buffers.model.plan.zones) | {"no zone"}
            here = here[here["part"].isin(zones)]
        parts = [
            f"{'zone ' if by == 'zone' else ''}{part} {units.moment(moment, '+,.0f')}"
            for part, moment in zip(here["part"], here["moment_kgm"], strict=True)
            if abs(moment) >= 0.5
        ]
        prefix = "    " if by == "cause" else "    its passengers by zone: "
        lines.append(prefix + ", ".join(parts))
    return lines


def _warning_lines(b: Buffer, units: FileUnits) -> list[str]:
    where = f"{b.side} {_PHASES[b.group]} at {units.mass(b.mass_kg)}"
    return [f"  warning, {where}: {note}" for note in b.notes]


def buffer_decisions(study: BufferStudy) -> list[str]:
    """Return what to do about the buffers, a sentence each."""
    buffers, ask = study.buffers, study.buffers.ask
    units = FileUnits.of(buffers.ask.scenario)
    parts = []
    for side in ("forward", "aft"):
        for group in ask.groups:
            b = governing(buffers, side=side, group=group)
            percent = 100.0 * b.buffer_kgm / (b.mass_kg * buffers.model.balance.mac_m)
            parts.append(
                f"{side} {_PHASES[group]} {units.moment(b.buffer_kgm)} {units.name('moment')} "
                f"({percent:.2f} % MAC of the zero-fuel mass {units.mass(b.mass_kg)})"
            )
    lines = [
        f"Decision: for a risk of {ask.risk:g} a flight"
        + (" in total" if ask.in_total else ", each side and group of phases by itself,")
        + f" at {100 * ask.confidence:g} % confidence"
        + (" (all bounds together)" if ask.together else " (each bound by itself)")
        + ", take off the certified limits (the largest of each; by mass in the tables): "
        + "; ".join(parts)
        + ". The envelope of each mass is in envelope.csv."
    ]
    used = study.beside[study.beside["kind"] == "in_use"]
    if not used.empty:
        worst = used.iloc[int(np.argmax(used["risk"].to_numpy()))]
        lines.append(
            "The curtailments in use leave at most "
            f"{_row_text(worst['risk'], worst['risk_low'], worst['risk_high'])} "
            f"({worst['side']}, {_PHASES[str(worst['group'])]}, {units.mass(worst['mass_kg'])}, in "
            "the worst load there; assumptions as the scenario has them)."
        )
    lines += [
        f"  no room: {c.kind.replace('_', '-')} mass from {units.mass(c.lowest_kg)} to "
        f"{units.mass(c.highest_kg)}, the sides cross by up to {c.missing_pct_mac:.2f} % MAC; "
        f"{c.why}."
        for c in study.envelope.crossings
    ]
    lines += _own_lines(study)
    if study.fails:
        lines.insert(
            0,
            "NOT PROVED: some loads on the edge leave the certified envelope more often than "
            "accepted (proof.csv). Do not use "
            + (
                "these buffers; ask for more masses, or a smaller relative error."
                if study.own is None
                else "your envelope at this risk."
            ),
        )
    missing = [b for b in buffers.found if ask.draws and math.isnan(b.assumed_kgm)]
    if missing:
        places = sorted({f"{b.side} {_PHASES[b.group]}" for b in missing})
        lines.append(
            f"  WARNING: the assumption range could not be told for {', '.join(places)}: these "
            "buffers hold only if every assumption is right."
        )
    shallow = sorted(
        {
            f"{b.side} {_PHASES[b.group]} (told at {b.assumed_at:.1g})"
            for b in buffers.found
            if b.assumed_at > 1.01 * ask.each_risk
        }
    )
    if shallow:
        lines.append(
            "  note: what assumptions add was told at a greater risk than asked for, where flights "
            f"under other assumptions are enough, and taken over: {', '.join(shallow)}."
        )
    return lines


def own_excess(study: BufferStudy) -> pd.DataFrame:
    """Return how far the operator's own zero-fuel limits stand outside the new ones.

    Returns
    -------
    pandas.DataFrame
        mass_kg, side, own, new, outside (all % MAC, outside positive where the own envelope is the
        wider one); empty without an own envelope.
    """
    columns = ["mass_kg", "side", "own", "new", "outside"]
    new = study.envelope.envelope.zero_fuel
    own = None if study.own is None else study.own.zero_fuel
    if new is None or own is None:
        return pd.DataFrame(columns=columns)
    frames = []
    for side, toward in (("forward", -1.0), ("aft", 1.0)):
        mass, pct = new.points(side)
        mine = own.limit(mass, side=side)
        table = {"mass_kg": mass, "own": mine, "new": pct, "outside": toward * (mine - pct)}
        frames.append(pd.DataFrame(table).assign(side=side)[columns])
    return pd.concat(frames, ignore_index=True)


def _own_lines(study: BufferStudy) -> list[str]:
    """Return how the operator's own envelope stands to the new one."""
    units, excess, parts = FileUnits.of(study.buffers.ask.scenario), own_excess(study), []
    for side, table in excess.groupby("side", sort=False):
        worst = table.iloc[int(np.argmax(table["outside"].to_numpy()))]
        far = float(worst["outside"])
        text = f"up to {far:.2f} % MAC outside it" if far > 0.0 else f"{-far:.2f} % MAC inside it"
        parts.append(f"{side} {text} (at {units.mass(float(worst['mass_kg']))})")
    if not parts:
        return []
    return [
        "Your zero-fuel envelope beside the new one: "
        + "; ".join(parts)
        + ". Where it is outside, the buffers do not vouch for it: the proof does, for the loads "
        "it flew."
    ]


def _proof_lines(study: BufferStudy) -> list[str]:
    proof, units = study.proof, FileUnits.of(study.buffers.ask.scenario)
    if proof.empty:
        return ["Not proved: no loads were flown on the envelope's edge."]
    whose = "the new envelope" if study.own is None else "your envelope"
    lines = [
        f"Proof on fresh seeds: {len(proof) // 2} risks of random loads and of the worst between "
        f"the masses asked for, planned on the zero-fuel edge of {whose}; assumptions as the "
        f"scenario has them; all intervals of an edge hold together at "
        f"{100.0 * PROOF_CONFIDENCE:g} %."
    ]
    for edge, text in (
        ("envelope", "on the edge"),
        ("without assumptions", "on the edge with the assumptions' distance given back"),
    ):
        here = proof[proof["edge"] == edge]
        worst = here.iloc[int(np.argmax(here["estimate"].to_numpy()))]
        lines.append(
            f"  {text}: {int(here['over'].sum())} significantly over "
            f"{study.buffers.ask.each_risk:g}; the greatest "
            f"{_row_text(worst['estimate'], worst['low'], worst['high'])} ({worst['side']}, "
            f"{_PHASES[str(worst['group'])]}, {worst['kind']} load, "
            f"{units.mass(worst['mass_kg'])}, "
            f"{worst['passengers']:.0f} aboard)."
        )
    return lines


def buffer_text(study: BufferStudy) -> str:
    """Return the study as text for a terminal: tables, splits, proof, decision."""
    buffers, ask = study.buffers, study.buffers.ask
    units = FileUnits.of(buffers.ask.scenario)
    lines = [
        f"Buffers to the certified envelope, {units.name('mass')} and {units.name('moment')}: "
        f"{ask.scenario.name}",
        f"{buffers.flights:,} flights, seed {ask.seed}; risk {ask.each_risk:g} each, confidence "
        f"{ask.each_confidence:.6g} each",
        "the quantile of the excess, what its bound and assumptions add, the sum; beside it "
        "other buffers and the risk each leaves",
    ]
    for side in ("forward", "aft"):
        for group in ask.groups:
            lines += ["", *_table_lines(study, side, group), *_split_lines(buffers, side, group)]
    lines += ["", *(line for b in buffers.found for line in _warning_lines(b, units))]
    lines += [*_proof_lines(study), "", *buffer_decisions(study), "", COVERS, AGREEMENT, CAUTIONS]
    return "\n".join(lines)


def buffer_answer(study: BufferStudy) -> dict[str, Any]:
    """Return the study as plain data for JSON: no NaN, no infinity."""
    buffers, ask = study.buffers, study.buffers.ask
    data = {
        "scenario": ask.scenario.name,
        "scenario_sha256": ask.scenario.digest(),
        "seed": ask.seed,
        "risk": ask.risk,
        "risk_each": ask.each_risk,
        "in_total": ask.in_total,
        "confidence": ask.confidence,
        "confidence_each": ask.each_confidence,
        "together": ask.together,
        "flights": buffers.flights,
        "buffers": buffers.table().to_dict("records"),
        "by_cause": buffers.split(by="cause").to_dict("records"),
        "by_zone": buffers.split(by="zone").to_dict("records"),
        "beside": study.beside.to_dict("records"),
        "beside_means": KINDS,
        "envelope": study.envelope.table().to_dict("records"),
        "no_room": [
            {
                "kind": c.kind,
                "lowest_kg": c.lowest_kg,
                "highest_kg": c.highest_kg,
                "missing_pct_mac": c.missing_pct_mac,
                "why": c.why,
            }
            for c in study.envelope.crossings
        ],
        "proved_envelope": "new" if study.own is None else "own",
        "own_envelope": own_excess(study).to_dict("records"),
        "proof": study.proof.to_dict("records"),
        "proof_fails": study.fails,
        "decision": buffer_decisions(study),
        "confidence_covers": COVERS,
        "agreement": AGREEMENT,
        "cautions": CAUTIONS,
    }
    return {key: plain(value) for key, value in data.items()}
