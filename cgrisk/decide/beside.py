"""What stands beside a sampled buffer: conventional stacks, the envelope in use, their risks."""

from __future__ import annotations

import pandas as pd

from cgrisk.decide.buffers import Buffer, Buffers
from cgrisk.decide.conventional import ConventionalBuffers, conventional_buffers
from cgrisk.decide.load_state import scenario_with
from cgrisk.flight import FlightModel, prepare, zero_fuel_scale
from cgrisk.rare import envelope_score

__all__ = ["KINDS", "beside_table", "conventional_of"]

#: Buffers that are compared: name in tables and words for it.
KINDS = {
    "sampled": "sampled, as asked for",
    "straight": "conventional, straight sum",
    "root_squares": "conventional, root of squares",
    "in_use": "curtailment in the scenario",
}


def _model_of(buffers: Buffers, buffer: Buffer) -> FlightModel:
    return prepare(scenario_with(buffers.ask.scenario, buffer.load.state))


def conventional_of(buffers: Buffers, buffer: Buffer) -> ConventionalBuffers:
    """Return the conventional stack of the load state that a sampled buffer was found for."""
    return conventional_buffers(_model_of(buffers, buffer))


def beside_table(buffers: Buffers) -> pd.DataFrame:
    """Return every buffer beside the conventional ones, and the risk that each really leaves.

    Returns
    -------
    pandas.DataFrame
        side, group, mass_kg, kind (a key of :data:`KINDS`), moment_kgm, risk, risk_low, risk_high:
        the chance that the excess is above the moment in the load state of the sampled buffer, by
        simulation, assumptions as the scenario has them.
    """
    rows = []
    for buffer in buffers.found:
        model = _model_of(buffers, buffer)
        stack = conventional_buffers(model)
        score = envelope_score(model, side=buffer.side, group=buffer.group)
        moments = {
            "sampled": buffer.buffer_kgm,
            "straight": stack.straight_kgm(side=buffer.side, group=buffer.group),
            "root_squares": stack.rss_kgm(side=buffer.side, group=buffer.group),
        }
        if buffers.ask.scenario.operation.operational_envelope is not None:
            moments["in_use"] = score.at_limit * zero_fuel_scale(model)
        for kind, moment in moments.items():
            estimate, low, high = buffer.risk_of(moment)
            rows.append(
                {
                    "side": buffer.side,
                    "group": buffer.group,
                    "mass_kg": buffer.mass_kg,
                    "kind": kind,
                    "moment_kgm": moment,
                    "risk": estimate,
                    "risk_low": low,
                    "risk_high": high,
                }
            )
    return pd.DataFrame(rows)
