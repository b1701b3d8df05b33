"""Files to be spoilt: the shipped scenario, its policies, load sheets and tables, and how."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from cgrisk.errors import InputError
from cgrisk.scenario import Scenario, load_scenario
from cgrisk.scenario.locate import KeyPath
from cgrisk.scenario.seats import expand_seats
from tests.flight_cases import SHIPPED, shipped_scenario
from tests.fuzz_cases import change, holder_of, hostile, is_figure, paths_of
from tests.scenario_cases import MODELS, shipped_text, toml_text, write_scenario

RAW = {name: tomllib.loads(shipped_text(name)) for name in MODELS}
FILES = st.sampled_from(sorted(MODELS))


PATHS = {name: paths_of(data) for name, data in RAW.items()}


@st.composite
def changed_files(draw: st.DrawFn) -> dict[str, str]:
    """The shipped files, some of their values changed, taken away, doubled or added to."""
    data = copy.deepcopy(RAW)
    for _ in range(draw(st.integers(1, 4))):
        name = draw(FILES)
        path = draw(st.sampled_from(PATHS[name]))
        holder: Any = data[name]
        try:
            for key in path[:-1]:
                holder = holder[key]
            holder[path[-1]]
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took it away
        if isinstance(holder, str):
            continue
        change(draw, holder, path[-1])
    return {name: toml_text(content) for name, content in data.items()}


def _at(data: Any, path: KeyPath) -> Any:
    for key in path:
        data = data[key]
    return data


FIGURES = [
    (name, path)
    for name in sorted(MODELS)
    for path in PATHS[name]
    if is_figure(_at(RAW[name], path))
]


@st.composite
def nearby_files(draw: st.DrawFn) -> dict[str, str]:
    """The shipped files with some of their figures a little other: most of them load."""
    data = copy.deepcopy(RAW)
    for name, path in draw(st.lists(st.sampled_from(FIGURES), min_size=1, max_size=3)):
        holder = _at(data[name], path[:-1])
        scaled = holder[path[-1]] * draw(st.floats(0.5, 1.6))
        holder[path[-1]] = int(scaled) if isinstance(holder[path[-1]], int) else scaled
    return {name: toml_text(content) for name, content in data.items()}


def load_or_refuse(folder: Path, **texts: str) -> Scenario | None:
    """Load; a refusal must be whole: every fault says all that it has to, on one line."""
    write_scenario(folder, **texts)
    try:
        return load_scenario(folder)
    except InputError as error:
        faults = error.faults
    assert faults
    for fault in faults:
        assert fault.expected
        assert fault.got
        assert fault.cure.endswith((".", "?"))
        assert str(fault).isprintable()
        if fault.line is not None:
            name = Path(fault.file).stem
            assert 1 <= fault.line <= texts.get(name, shipped_text(name)).count("\n") + 1
    return None


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
        holder = holder_of(data, path)
        if holder is None:
            continue
        old = holder[path[-1]]
        if isinstance(old, str) and draw(st.booleans()):
            holder[path[-1]] = draw(hostile)
        elif (
            isinstance(old, int | float)
            and not isinstance(old, bool)
            and abs(old) < 1e300
            and draw(st.booleans())
        ):
            holder[path[-1]] = type(old)(old * draw(st.floats(0.5, 1.5)))
        elif not isinstance(holder, str):
            change(draw, holder, path[-1])
    return toml_text(data)


LOADS = (SHIPPED / "loads.csv").read_text()
TABLES = {"seats": SEATS, "fuel": FUEL_INDEX, "survey": SURVEY}


def with_table(folder: Path, kind: str, content: bytes) -> None:
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
