"""A small cabin in which only the seating varies, so that the risk is known exactly."""

from __future__ import annotations

import copy
from typing import Any

from cgrisk.decide.policy_cells import Task
from cgrisk.flight import SIDES, prepare
from cgrisk.rare.exact import exact_tail
from cgrisk.rare.score import envelope_score
from cgrisk.scenario import Scenario
from cgrisk.scenario.policies_file import PoliciesFile
from tests.cabin_cases import NO_SERVICE, NOBODY_UP
from tests.flight_cases import SEATING_ALONE, edited
from tests.simpy_cases import CERTAIN

_ALIKE = {"mean": 90.0, "sd": 0.0, "skewness": 0.0}
#: Nothing varies but the seats.
STILL: dict[str, Any] = {
    **CERTAIN,
    **SEATING_ALONE,
    **NOBODY_UP,
    **NO_SERVICE,
    "operation.mass.body.men": _ALIKE,
    "operation.mass.body.women": _ALIKE,
    "operation.mass.body.children": {"mean": 30.0, "sd": 0.0, "skewness": 0.0},
    "operation.mass.bag": {"mean": 4.0, "sd": 0.0, "none_share": 0.0},
}
ROWS = ("rear_rows", "front_rows", "end_rows", "alternate_rows")


def eight_rows(cut_pct: float, **changes: Any) -> Scenario:
    """Eight rows of six in one zone, 20 aboard; the operator's limits a little inside."""
    both = {"forward": cut_pct, "aft": cut_pct}
    return edited(
        copy.deepcopy(
            {
                **STILL,
                "aircraft.cabin.rows": [{"rows": "1-8", "pitch": 0.8}],
                "operation.zones": [{"name": "all", "rows": "1-8", "adults": 20, "children": 0}],
                "operation.operational_envelope.take_off_and_landing": both,
                "operation.operational_envelope.in_flight": both,
                **changes,
            }
        )
    )


def exact_risks(scenario: Scenario, task: Task) -> tuple[float, float]:
    """Probability by side, counted seat by seat."""
    model = prepare(scenario)
    scores = [envelope_score(model, side=side) for side in SIDES]
    one, two = (
        float(exact_tail(model, score=s, thresholds=[task.threshold(s)]).estimate[0])
        for s in scores
    )
    return one, two


def searched(*policies: dict[str, Any], **search: Any) -> PoliciesFile:
    """A policies file with a search; without policies a single empty one."""
    named = [{"name": f"p{i}", **p} for i, p in enumerate(policies or ({},))]
    return PoliciesFile.model_validate(
        {"schema": 1, "name": "set", "policies": named, "search": {"families": ROWS, **search}}
    )
