"""The command that would add what a report lacks, ready to be typed."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from cgrisk.runs import Run
from cgrisk.scenario import load_scenario
from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

__all__ = ["PLACEHOLDERS", "asks"]

#: What capitals in the commands stand for.
PLACEHOLDERS: Final = (
    "CASE: the operation file, or its folder, that the run was made from. P: the probability per "
    "flight that you accept; there is no published one. Results written beside the run's folder "
    "are taken into the next report by themselves; others are named with --with FOLDER."
)
_FORMS: Final = {
    "tail": "cgrisk tail{case} --side {side} --target P",
    "causes": "cgrisk causes{case} --side {side} --target P",
    "buffers": "cgrisk buffers{case} --risk P",
    "zones": "cgrisk zones{case}",
    "policies": "cgrisk policies{file} POLICIES.toml --target P",
    "restrict": "cgrisk restrict{file} POLICIES.toml --target P",
    "loads": "cgrisk loads{case} LOADS.csv",
    "entry": "cgrisk run{case} --with-entry-errors",
}


@lru_cache(maxsize=1)
def _shipped() -> str:
    return load_scenario(shipped_scenarios()[DEFAULT]).digest()


def asks(run: Run, kind: str, *, side: str = "aft") -> str:
    """Return the command that makes a kind of result for a run's scenario."""
    shipped = run.inputs.scenario_sha256 == _shipped()
    case = "" if shipped else " CASE"
    return _FORMS[kind].format(case=case, file=" CASE", side=side)
