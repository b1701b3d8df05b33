"""Whatever a file holds: a scenario, or an InputError; never anything else."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from cgrisk.aircraft import cabin_plan, tank_tables
from cgrisk.aircraft.tanks import burn, fill_plan
from cgrisk.errors import ComputationError, InputError, UsageError
from cgrisk.risk.summary import summarise
from cgrisk.sampling import simulate
from cgrisk.scenario import Scenario, load_scenario
from cgrisk.scenario.locate import locate
from tests.fuzz_cases import paths_of, shared_folder, texts, values
from tests.fuzz_files import FILES, changed_files, load_or_refuse, nearby_files
from tests.scenario_cases import shipped_text, toml_text, write_scenario


@shared_folder
@given(files=changed_files() | nearby_files())
def test_changed_files_load_or_are_refused(tmp_path: Path, files: dict[str, str]) -> None:
    scenario = load_or_refuse(tmp_path, **files)
    if scenario is not None:
        kept = json.loads(json.dumps(scenario.resolved(), allow_nan=False))
        again = Scenario.from_resolved(kept, origin=scenario.origin)
        assert again == scenario
        assert again.digest() == scenario.digest()


@shared_folder
@given(files=nearby_files() | changed_files())
def test_what_loads_can_be_used(tmp_path: Path, files: dict[str, str]) -> None:
    """The checks let nothing pass that the aeroplane cannot be made of."""
    scenario = load_or_refuse(tmp_path, **files)
    if scenario is None:
        return
    plan = cabin_plan(scenario)
    assert (plan.zone >= 0).all()
    fuel, aircraft = scenario.operation.fuel, scenario.aircraft
    capacity = sum(table.capacity_m3 for table in tank_tables(aircraft))
    density = fuel.density or aircraft.reference_density
    volumes = fill_plan(aircraft, min(fuel.block / density, capacity))
    burnt = sum(60.0 * phase.minutes * phase.fuel_flow for phase in scenario.operation.phases)
    burn(aircraft, volumes, min(burnt / density, float(volumes.sum())))


def test_what_loads_is_flown_and_its_answer_is_finite(tmp_path: Path) -> None:
    """Eight flights of whatever passes the checks, which is a tenth of the files at the least."""
    count: Counter[str] = Counter()

    @settings(max_examples=settings().max_examples // 4)
    @given(files=nearby_files() | changed_files())
    def fly(files: dict[str, str]) -> None:
        count["files"] += 1
        scenario = load_or_refuse(tmp_path, **files)
        if scenario is None:
            return
        count["loaded"] += 1
        try:
            sample = simulate(scenario, flights=8, seed=1, jobs=1, keep_rows=True)
            answer = summarise(sample).answer(flights_per_second=1.0)
        except (ComputationError, UsageError) as error:
            assert len(str(error)) > 40
            count[f"refused: {type(error).__name__}"] += 1
            return
        assert sample.rows is not None
        assert not np.isnan(sample.rows.to_numpy()).any()
        json.dumps(answer, allow_nan=False)
        count["flown"] += 1
        event("flown")

    fly()
    assert count["flown"] >= 0.1 * count["files"], count


@shared_folder
@given(data=st.data())
def test_torn_texts_load_or_are_refused(tmp_path: Path, data: st.DataObject) -> None:
    name = data.draw(FILES)
    text = shipped_text(name)
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 40)))
    piece = data.draw(
        st.text(st.characters(codec="utf-8"), max_size=6)
        | st.sampled_from(["[", "]", "{", "}", '"', "'''", '"""', "=", "\n", "#", ".", "[[", "\r"])
    )
    load_or_refuse(tmp_path, **{name: text[:start] + piece + text[end:]})


@shared_folder
@given(content=st.binary(max_size=200), name=FILES)
def test_any_bytes_load_or_are_refused(tmp_path: Path, content: bytes, name: str) -> None:
    write_scenario(tmp_path)
    (tmp_path / f"{name}.toml").write_bytes(content)
    with pytest.raises(InputError, match=r"expected (?s:.)*; got "):
        load_scenario(tmp_path)


tables = st.dictionaries(texts, values, max_size=5)


@given(data=tables, keys=st.lists(texts, min_size=1, max_size=3), inner=tables)
def test_every_path_of_any_file_is_located(
    data: dict[str, Any], keys: list[str], inner: dict[str, Any]
) -> None:
    header = ".".join(json.dumps(key) for key in keys)
    text = toml_text(data).replace("\x7f", "\\u007f")
    text += "".join(f"[[{header}]]\n{toml_text(inner)}" for _ in range(2))
    text = text.replace("\x7f", "\\u007f")
    try:
        parsed = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError):
        return  # the header opens a key that the table has already
    lines = locate(text)
    assert set(lines) == set(paths_of(parsed))
    for key in data:
        assert json.dumps(key) in text.split("\n")[lines[(key,)] - 1] or key in text
