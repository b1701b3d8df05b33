"""Absurd sizes are refused, quickly and in little memory."""

from __future__ import annotations

import tomllib
import tracemalloc
from pathlib import Path
from typing import Any

import pytest

from cgrisk.cli import main
from cgrisk.errors import InputError, UsageError
from cgrisk.sampling import check_counts
from cgrisk.scenario import load_scenario
from cgrisk.scenario.checks_policies import load_policies
from cgrisk.scenario.loads_file import read_loads
from tests.cut_cases import write_small_case
from tests.flight_cases import shipped_scenario
from tests.scenario_cases import shipped_text, toml_text, write_scenario

#: Most memory that a refusal may take; files of 2 MB are read whole and parsed before it.
MOST_BYTES = 150_000_000


def refusal(folder: Path, file: str, path: str, value: Any) -> str:
    """Put a value into the shipped case and return what is said of it."""
    data = tomllib.loads(shipped_text(file))
    *parents, leaf = path.split(".")
    holder: Any = data
    for key in parents:
        holder = holder[int(key)] if isinstance(holder, list) else holder[key]
    holder[leaf] = value(holder[leaf]) if callable(value) else value
    write_scenario(folder, **{file: toml_text(data).replace("}, {", "},\n{")})
    return refused(folder)


def refused(folder: Path) -> str:
    tracemalloc.start()
    try:
        with pytest.raises(InputError, match="expected") as caught:
            load_scenario(folder)
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()
    return str(caught.value)


@pytest.mark.parametrize(
    ("file", "path", "value", "told"),
    [
        ("aircraft", "cabin.rows", [{"rows": "1-1000000", "pitch": 0.8}], "row"),
        ("aircraft", "cabin.rows", [{"rows": "1-" + "9" * 100, "pitch": 0.8}], "row"),
        ("aircraft", "cabin.rows", [{"rows": "1-999", "pitch": 0.8}], "at most 1000 seats"),
        ("operation", "phases", lambda old: old * 60, "1 to 40"),
        ("operation", "zones", lambda old: old * 60, "1 to 12"),
        ("operation", "parties", lambda old: old * 60, "at most 12"),
        ("operation", "fuel.block", 10**400, "more than 30 digits"),
        ("operation", "fuel.block", 10**4000, "more than 30 digits"),
        ("operation", "zones.0.adults", 10**400, "whole number from 0 to 1000"),
        ("operation", "name", "x" * 15_000, "1 to 120 characters"),
        ("operation", "note", "x" * 15_000, "up to 2000 characters"),
        ("operation", "note", "x" * 50_000, "lines of at most 20000 characters"),
    ],
    ids=lambda value: str(value)[:20] if isinstance(value, str) else "",
)
def test_a_size_beyond_any_aircraft_is_refused(
    file: str, path: str, value: Any, told: str, tmp_path: Path
) -> None:
    message = refusal(tmp_path, file, path, value)
    assert told in message
    assert all(len(line) < 1_000 for line in message.split("\n"))


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 9_000,
        "a = " + "{b=" * 5_000,
        "".join(f"[{'.'.join('a' * k)}]\n" for k in range(30, 400)),
        "a = [\n" + "[\n" * 30_000,
        "a = " + "9" * 19_000,
        "x = 1\n" * 300_000,
    ],
    ids=["lists", "tables", "keys", "lines", "digits", "twice"],
)
def test_a_monstrous_text_is_refused(text: str, tmp_path: Path) -> None:
    write_scenario(tmp_path, operation=text)
    refused(tmp_path)


def test_policies_beyond_number_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "policies.toml"
    path.write_text(
        'schema = 1\nname = "set"\n'
        + "".join(f'[[policies]]\nname = "{k}"\n' for k in range(5_000))
    )
    with pytest.raises(InputError, match="1 to 40"):
        load_policies(path, scenario=shipped_scenario())


def test_a_load_sheet_whose_line_never_ends_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "loads.csv"
    for text in ("fuel," * 500_000, "x" * 20_000_000, '"' + "\n" * 2_000_000):
        path.write_text(text)
        with pytest.raises(InputError, match="expected"):
            read_loads(path, scenario=shipped_scenario())


@pytest.mark.parametrize("name", ["flights", "jobs", "batch"])
@pytest.mark.parametrize("value", [0, -2, 2**32 + 1, 10**400])
def test_counts_out_of_range_are_refused(name: str, value: int) -> None:
    with pytest.raises(UsageError, match=name):
        check_counts(**{name: value})


@pytest.mark.parametrize(
    "words",
    [
        ["tail", "--draws", "9" * 30],
        ["tail", "--flights", "9" * 30],
        ["buffers", "--risk", "1e-2", "--draws", "9" * 30],
        ["buffers", "--risk", "1e-2", "--mass-count", "9" * 30],
        ["buffers", "--risk", "1e-2", "--proof", "9" * 30],
        ["buffers", "--risk", "1e-2", "--flights", "9" * 30],
        ["zones", "--flights", "9" * 30],
        ["zones", "--max-zones", "9" * 30],
        ["causes", "--pairs", "9" * 30],
        ["run", "--flights", "9" * 30],
        ["run", "--jobs", "9" * 30],
        ["run", "--seed", "9" * 30],
        ["run", "--flights", "9" * 5_000],
    ],
    ids=lambda words: "-".join(words)[:30],
)
def test_absurd_numbers_on_the_command_line_are_refused(
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    case = str(write_small_case(tmp_path / "case"))
    command, *rest = words
    assert main([command, case, *rest, "--out", "out"]) == 2
    assert "internal error" not in capsys.readouterr().err
