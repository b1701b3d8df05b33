"""Each of the well-known slips has a message of its own, with a cure."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from cgrisk.errors import InputError
from cgrisk.scenario import load_scenario
from tests.scenario_cases import shipped_text, toml_text, write_scenario

BACK = {"from_tanks": ["centre"], "to_tanks": ["centre"]}

#: Slip: file, dotted key, what it is set to, and words that only its message has.
SLIPS: dict[str, tuple[str, str, Any, str]] = {
    "not a number": ("operation", "fuel.block", float("nan"), "got nan"),
    "infinity": ("operation", "fuel.block", float("inf"), "got inf"),
    "negative infinity": ("operation", "fuel.block", float("-inf"), "got -inf"),
    "negative mass": ("aircraft", "masses.dry_operating", -41_000.0, "got -41000"),
    "zero mean chord": ("aircraft", "reference.mac", 0.0, "a number above 0"),
    "inverted envelope": (
        "aircraft",
        "envelopes.0.aft",
        [[40_000, 5.0], [73_900, 5.0]],
        "forward of the aft limit",
    ),
    "fuel beyond the tanks": ("operation", "fuel.block", 60_000.0, "the tanks hold"),
    "seat twice": ("aircraft", "cabin.rows.0.rows", "1-3,2", "twice"),
    "lavatory out of reach": ("aircraft", "cabin.lavatories.0.arm", 150.0, "an arm near the rows"),
    "lavatory of no class": (
        "aircraft",
        "cabin.lavatories.0.classes",
        ["imperial"],
        "imperial",
    ),
    "transfer into itself": (
        "aircraft",
        "fuel_transfers",
        [{"name": "round", "at_fuel": 9_000.0, "flow": 2_000.0, **BACK}],
        "that the transfer does not take from",
    ),
}


def told(folder: Path, name: str) -> list[str]:
    file, path, value, _ = SLIPS[name]
    data = tomllib.loads(shipped_text(file))
    *parents, leaf = path.split(".")
    holder: Any = data
    for key in parents:
        holder = holder[int(key)] if isinstance(holder, list) else holder[key]
    holder[leaf] = value
    write_scenario(folder, **{file: toml_text(data)})
    with pytest.raises(InputError, match="expected") as caught:
        load_scenario(folder)
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_told_in_words_of_its_own(name: str, tmp_path: Path) -> None:
    lines = told(tmp_path, name)
    assert any(SLIPS[name][3] in line for line in lines), lines


def test_no_two_slips_are_told_in_the_same_words(tmp_path: Path) -> None:
    said = {name: told(tmp_path / str(k), name) for k, name in enumerate(SLIPS)}
    words = [line.split(": expected ", 1)[1] for lines in said.values() for line in lines[:1]]
    assert len(set(words)) == len(words)
