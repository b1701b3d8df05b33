"""Many inputs of every kind a night: each is used as far as it goes, or refused in whole words.

``--fuzz-inputs N`` says how many all kinds together get in one round; the twenty rounds of
``.ci/nightly`` make 100,000 of them, with other examples in each.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from cgrisk.decide.load_state import scenario_with
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.decide.past_loads import load_state_of, score_loads
from cgrisk.decide.policy import scenario_under
from cgrisk.errors import CgriskError, InputError
from cgrisk.risk.summary import summarise
from cgrisk.sampling import simulate
from cgrisk.scenario import Scenario, load_scenario
from cgrisk.scenario.checks_policies import load_policies
from cgrisk.scenario.loads_file import PastLoads, read_loads
from tests.flight_cases import SHIPPED
from tests.fuzz_cases import assert_whole_refusal, snapshot, spoilt_csv, torn_bytes
from tests.fuzz_files import (
    ENVELOPE,
    LOADS,
    SCENARIO,
    TABLES,
    changed_files,
    changed_policies,
    nearby_files,
    with_table,
)
from tests.fuzz_runs import (
    COMMANDS,
    carried_out,
    files_of,
    place_of,
    with_other_content,
    with_other_manifest,
)
from tests.run_cases import quickly
from tests.scenario_cases import write_scenario

pytestmark = pytest.mark.nightly

#: Share of the inputs that each kind gets: files of a scenario are cheap, commands on a run not.
SHARES = {
    "scenario": 0.4,
    "policies": 0.12,
    "loads": 0.12,
    "seats": 0.08,
    "survey": 0.08,
    "fuel": 0.08,
    "envelope": 0.04,
    "manifest": 0.03,
    "parquet": 0.03,
    "torn": 0.02,
}
#: Least share of inputs that must pass all checks and be flown or answered; of so many inputs that
#: chance has no part in it.
LEAST_USED, OF_INPUTS = 0.1, 200
#: An input that takes longer hangs, as far as its user can tell.
LONGEST_S = 30.0


def flown(scenario: Scenario) -> None:
    """Fly four flights; every figure and the whole answer must be finite."""
    sample = simulate(scenario, flights=4, seed=1, jobs=1, keep_rows=True)
    assert sample.rows is not None
    assert not np.isnan(sample.rows.to_numpy()).any()
    json.dumps(summarise(sample).answer(flights_per_second=1.0), allow_nan=False)


def use_scenario(draw: Callable[[Any], Any], folder: Path) -> None:
    write_scenario(folder, **draw(nearby_files() | changed_files()))
    flown(load_scenario(folder))


def use_policies(draw: Callable[[Any], Any], folder: Path) -> None:
    path = folder / "policies.toml"
    path.write_text(draw(changed_policies()), encoding="utf-8", newline="")
    found = load_policies(path, scenario=SCENARIO)
    policy = draw(st.sampled_from(found.policies))
    passengers = draw(st.integers(1, 180))
    flown(scenario_under(SCENARIO, policy, passengers=passengers, bags=found.bags))


def use_loads(draw: Callable[[Any], Any], folder: Path) -> None:
    path = folder / "loads.csv"
    path.write_text(draw(spoilt_csv(LOADS)), encoding="utf-8", newline="")
    found = read_loads(path, scenario=SCENARIO)
    load = draw(st.sampled_from(found.loads))
    score_loads(SCENARIO, loads=PastLoads(found.file, (load,)))
    flown(scenario_with(SCENARIO, load_state_of(load)))


def use_table(kind: str) -> Callable[[Callable[[Any], Any], Path], None]:
    def use(draw: Callable[[Any], Any], folder: Path) -> None:
        content = draw(spoilt_csv(TABLES[kind]).map(str.encode) | torn_bytes(TABLES[kind].encode()))
        with_table(folder, kind, content)
        flown(load_scenario(folder))

    return use


def use_envelope(draw: Callable[[Any], Any], folder: Path) -> None:
    path = folder / "envelope.csv"
    path.write_text(draw(spoilt_csv(ENVELOPE)), encoding="utf-8", newline="")
    envelope = OperatorEnvelope.from_file(path, system="kg/m")
    score_loads(SCENARIO, loads=shipped_loads(), envelope=envelope)


@cache
def shipped_loads() -> PastLoads:
    found = read_loads(SHIPPED / "loads.csv", scenario=SCENARIO)
    return PastLoads(found.file, found.loads[:2])


USES = {
    "scenario": use_scenario,
    "policies": use_policies,
    "loads": use_loads,
    "seats": use_table("seats"),
    "survey": use_table("survey"),
    "fuel": use_table("fuel"),
    "envelope": use_envelope,
}


def many(inputs: int, offset: int, one: Callable[[st.DataObject], None]) -> None:
    """Try so many inputs, none shrunk for long: a night has an end."""

    @seed(offset)
    @settings(
        max_examples=inputs,
        deadline=None,
        database=None,
        derandomize=False,
        suppress_health_check=list(HealthCheck),
    )
    @given(data=st.data())
    def trial(data: st.DataObject) -> None:
        one(data)

    trial()


@pytest.mark.parametrize("kind", USES)
def test_files_of_every_kind_are_used_or_refused(
    kind: str, tmp_path: Path, fuzz_inputs: int, seed_offset: int
) -> None:
    count: Counter[str] = Counter()
    folder = tmp_path / "inside"
    folder.mkdir()
    (tmp_path / "outside").write_text("must stay")

    def one(data: st.DataObject) -> None:
        began = time.monotonic()
        try:
            USES[kind](data.draw, folder)
        except InputError as error:
            assert_whole_refusal(error)
            count["refused by its check"] += 1
        except CgriskError as error:
            assert len(str(error)) > 40
            count["refused by its use"] += 1
        else:
            count["used"] += 1
        count["inputs"] += 1
        assert time.monotonic() - began < LONGEST_S

    many(max(round(SHARES[kind] * fuzz_inputs), 20), seed_offset, one)
    print(kind, dict(count))  # noqa: T201  the share that flew belongs in the night's log
    assert set(snapshot(tmp_path, but=folder)) == {"outside"}
    if count["inputs"] >= OF_INPUTS:
        assert count["used"] >= LEAST_USED * count["inputs"], count


@pytest.mark.parametrize("kind", ["manifest", "parquet", "torn"])
def test_commands_on_spoilt_runs_answer_or_refuse(
    kind: str,
    small_runs: Path,
    tmp_path: Path,
    fuzz_inputs: int,
    seed_offset: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    quickly(monkeypatch)
    count: Counter[str] = Counter()

    def one(data: st.DataObject) -> None:
        began = time.monotonic()
        command = data.draw(st.sampled_from(COMMANDS))
        if kind == "manifest":
            run = with_other_manifest(data.draw, small_runs, tmp_path)
        else:
            run = place_of(small_runs, tmp_path, "whole" if kind == "parquet" else "cut")
            if kind == "parquet":
                with_other_content(data.draw, run)
            else:
                path = run / data.draw(st.sampled_from(files_of(run)))
                path.write_bytes(data.draw(torn_bytes(path.read_bytes())))
                command = "resume"
        status = carried_out(command, run, small_runs)
        count["inputs"] += 1
        count["answered" if status == 0 else "refused"] += 1
        assert time.monotonic() - began < LONGEST_S

    many(max(round(SHARES[kind] * fuzz_inputs), 20), seed_offset, one)
    print(kind, dict(count))  # noqa: T201  the share that was answered belongs in the night's log
    assert count["answered"] >= LEAST_USED * count["inputs"], count
