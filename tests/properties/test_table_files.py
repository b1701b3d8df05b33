"""Whatever a policies file or a CSV table holds: it is read, or it is an InputError."""

from __future__ import annotations

import copy
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from cgrisk.errors import InputError
from cgrisk.scenario import load_scenario
from cgrisk.scenario.checks_policies import load_policies
from cgrisk.scenario.envelope_file import read_envelope
from cgrisk.scenario.loads_file import read_loads
from cgrisk.scenario.seats import expand_seats
from tests.flight_cases import SHIPPED, shipped_scenario
from tests.fuzz_cases import (
    assert_whole_refusal,
    change,
    hostile,
    paths_of,
    shared_folder,
    spoilt_csv,
    torn_bytes,
)
from tests.scenario_cases import shipped_text, toml_text, write_scenario

SCENARIO = shipped_scenario()
POLICIES = tomllib.loads((SHIPPED / "policies.toml").read_text())
POLICY_PATHS = paths_of(POLICIES)

ENVELOPE = (
    "mass_kind,mass,forward,aft\nzero_fuel,40000,12.5,33\nzero_fuel,61000,14,33.5\n"
    "take_off,42000,11,34\ntake_off,70000,13,34\nlanding,42000,11,34\nlanding,64000,13,34.5\n"
)
SURVEY = "sex,mass\n" + "".join(
    f"{sex},{start + 1.25 * i:.2f}\n"
    for sex, start in (("male", 61.0), ("female", 49.0))
    for i in range(22)
)
FUEL_INDEX = "fuel,index\n" + "".join(
    f"{mass},{-0.0004 * mass:.2f}\n" for mass in (0, 4000, 9000, 14000, 20000)
)


def _seat_plan() -> str:
    lines = ["row,letter,arm,position,aisle"]
    for seat in expand_seats(SCENARIO.aircraft.cabin):
        lines.append(f"{seat.row},{seat.letter},{seat.arm:.4f},{seat.position},{seat.aisle}")
    return "\n".join(lines) + "\n"


SEATS = _seat_plan()


@st.composite
def changed_policies(draw: st.DrawFn) -> str:
    """The shipped policies with values changed, taken away, doubled, or hostile names."""
    data = copy.deepcopy(POLICIES)
    for _ in range(draw(st.integers(1, 3))):
        path = draw(st.sampled_from(POLICY_PATHS))
        holder: Any = data
        try:
            for key in path[:-1]:
                holder = holder[key]
            old = holder[path[-1]]
        except (KeyError, IndexError, TypeError):
            continue
        if isinstance(old, str) and draw(st.booleans()):
            holder[path[-1]] = draw(hostile)
        elif isinstance(old, int | float) and not isinstance(old, bool) and draw(st.booleans()):
            holder[path[-1]] = type(old)(old * draw(st.floats(0.5, 1.5)))
        elif not isinstance(holder, str):
            change(draw, holder, path[-1])
    return toml_text(data)


def _read(make: Callable[[], Any]) -> Any:
    try:
        found = make()
    except InputError as error:
        assert_whole_refusal(error)
        event("refused")
        return None
    event("loaded")
    return found


def _finite(value: Any) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(_finite, value))
    return True


@shared_folder
@given(text=changed_policies())
def test_changed_policies_load_or_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "policies.toml"
    path.write_text(text, encoding="utf-8", newline="")
    found = _read(lambda: load_policies(path, scenario=SCENARIO))
    if found is not None:
        assert _finite(found.model_dump(mode="json"))


LOADS = (SHIPPED / "loads.csv").read_text()


@shared_folder
@given(text=spoilt_csv(LOADS))
def test_changed_loads_are_read_or_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "loads.csv"
    path.write_text(text, encoding="utf-8", newline="")
    found = _read(lambda: read_loads(path, scenario=SCENARIO))
    if found is not None:
        for load in found.loads:
            assert math.isfinite(load.fuel_kg)
            assert _finite(load.cargo_kg)
            assert load.name.isprintable()


@shared_folder
@given(text=spoilt_csv(ENVELOPE))
def test_changed_envelopes_are_read_or_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "envelope.csv"
    path.write_text(text, encoding="utf-8", newline="")
    found = _read(lambda: read_envelope(path, system="kg/m"))
    if found is not None:
        for kind in (found.zero_fuel, found.take_off, found.landing):
            if kind is not None:
                assert _finite((kind.mass_kg, kind.forward_pct, kind.aft_pct))
                assert list(kind.mass_kg) == sorted(kind.mass_kg)
                assert any(f < a for f, a in zip(kind.forward_pct, kind.aft_pct, strict=True))


def _with_table(folder: Path, kind: str, content: bytes) -> None:
    """Write the shipped case with a CSV table in place of what it states."""
    data = {name: tomllib.loads(shipped_text(name)) for name in ("aircraft", "operation")}
    if kind == "seats":
        cabin = data["aircraft"]["cabin"]
        for key in ("rows", "missing", "first_row_arm", "seats"):
            cabin.pop(key, None)
        cabin["seat_plan"] = "table.csv"
    elif kind == "fuel":
        for key in ("tanks", "refuel_order", "burn_schedule", "fuel_transfers"):
            data["aircraft"].pop(key, None)
        data["aircraft"]["fuel_index_table"] = "table.csv"
    else:
        data["operation"].setdefault("mass", {})["survey"] = "table.csv"
    for file in data.values():
        file.pop("sources", None)
        file.pop("ranges", None)
    write_scenario(folder, **{name: toml_text(file) for name, file in data.items()})
    (folder / "table.csv").write_bytes(content)


TABLES = {"seats": SEATS, "fuel": FUEL_INDEX, "survey": SURVEY}


@pytest.mark.parametrize("kind", TABLES)
def test_the_tables_that_are_spoilt_are_sound_as_they_stand(tmp_path: Path, kind: str) -> None:
    _with_table(tmp_path, kind, TABLES[kind].encode())
    load_scenario(tmp_path)


@pytest.mark.parametrize("kind", TABLES)
@shared_folder
@given(data=st.data())
def test_changed_tables_of_a_scenario_load_or_are_refused(
    tmp_path: Path, kind: str, data: st.DataObject
) -> None:
    _with_table(tmp_path, kind, data.draw(spoilt_csv(TABLES[kind])).encode())
    found = _read(lambda: load_scenario(tmp_path))
    if found is not None:
        assert _finite(found.resolved())


ALL_FILES = {
    "policies": (SHIPPED / "policies.toml").read_bytes(),
    "loads": LOADS.encode(),
    "envelope": ENVELOPE.encode(),
    **{kind: text.encode() for kind, text in TABLES.items()},
}


@shared_folder
@given(data=st.data(), kind=st.sampled_from(sorted(ALL_FILES)))
def test_torn_files_and_any_bytes_load_or_are_refused(
    tmp_path: Path, data: st.DataObject, kind: str
) -> None:
    content = data.draw(torn_bytes(ALL_FILES[kind]))
    path = tmp_path / "file"
    path.write_bytes(content)
    match kind:
        case "policies":
            _read(lambda: load_policies(path, scenario=SCENARIO))
        case "loads":
            _read(lambda: read_loads(path, scenario=SCENARIO))
        case "envelope":
            _read(lambda: read_envelope(path, system="kg/m"))
        case _:
            _with_table(tmp_path, kind, content)
            _read(lambda: load_scenario(tmp_path))
