"""Faults of what the twin aisle needs: transfers of fuel, classes, crew rest. File, line, key."""

from __future__ import annotations

from pathlib import Path

import pytest

from cgrisk.errors import InputError
from cgrisk.scenario import load_scenario
from tests.scenario_cases import edit
from tests.twin_cases import TWIN

#: (file, pattern, replacement, key, words of what was expected, words of what was got)
CASES = [
    ("aircraft", r'^from_tanks = \["trim"\]', 'from_tanks = ["tail"]',
     "fuel_transfers[1].from_tanks[0]", "tank", "tail"),
    ("aircraft", r'^to_tanks = \["trim"\]', 'to_tanks = ["trim", "trim"]',
     "fuel_transfers[0].to_tanks[1]", "each tank of a transfer", "once more"),
    ("aircraft", r'^to_tanks = \["trim"\]', 'to_tanks = ["left inner"]',
     "fuel_transfers[0].to_tanks[0]", "does not take from", "on both sides"),
    ("aircraft", r'^name = "trim transfer forward"', 'name = "trim transfer aft"',
     "fuel_transfers[1].name", "name", "trim transfer aft"),
    ("aircraft", r"^flow = 7_200", "flow = 0", "fuel_transfers[0].flow", "from 3.6 to", "0"),
    ("aircraft", r"^stuck = 1e-3", "stuck = 1.5", "fuel_transfers[0].stuck", "from 0 to 1", "1.5"),
    ("aircraft", r'^classes = \["business"\]', 'classes = ["first"]',
     "cabin.lavatories[0].classes[0]", "class of travel", "first"),
    ("aircraft", r'^classes = \["economy"\]', 'classes = ["economy", "economy"]',
     "cabin.lavatories[1].classes[1]", "each class", "once more"),
    ("operation", r'(?<=\[\[classes\]\]\n)name = "business"', 'name = "first"',
     "classes[0].name", "class of travel", "first"),
    ("operation", r"^crew_resting = 5", "crew_resting = 6",
     "phases[4].crew_resting", "the 5 bunks", "6"),
    ("operation", r'^kind = "climb"', 'kind = "climb"\ncrew_resting = 1',
     "phases[2].crew_resting", "of kind cruise", "1"),
]  # fmt: skip


def refused(folder: Path, **texts: str) -> list:
    for name in ("aircraft", "operation"):
        text = texts.get(name, (TWIN / f"{name}.toml").read_text(encoding="utf-8"))
        (folder / f"{name}.toml").write_text(text, encoding="utf-8", newline="")
    with pytest.raises(InputError, match="expected") as caught:
        load_scenario(folder)
    return list(caught.value.faults)


@pytest.mark.parametrize(
    ("file", "pattern", "replacement", "key", "expected", "got"), CASES, ids=[c[3] for c in CASES]
)
def test_faults_are_told_by_file_line_and_key(
    tmp_path, file, pattern, replacement, key, expected, got
):
    text, line = edit((TWIN / f"{file}.toml").read_text(encoding="utf-8"), pattern, replacement)
    (fault,) = refused(tmp_path, **{file: text})
    assert Path(fault.file).stem == file
    assert fault.key == key
    assert abs((fault.line or 0) - line) <= replacement.count("\n")
    assert expected in fault.expected
    assert got in fault.got
    assert fault.cure


def test_a_rest_without_a_crew_rest(tmp_path):
    text, _ = edit((TWIN / "aircraft.toml").read_text(), r"^crew_rest = .*$", "")
    (fault,) = refused(tmp_path, aircraft=text)
    assert fault.key == "phases[4].crew_resting"
    assert "without a crew rest" in fault.expected


def test_a_transfer_beside_a_fuel_index_table(tmp_path):
    text = (TWIN / "aircraft.toml").read_text()
    text, _ = edit(text, r"(?s)^\[\[tanks\]\].*?(?=^# In cruise fuel goes aft)", "")
    text, _ = edit(text, r"^schema = 1$", "schema = 1\nfuel_index = [[0, 0], [80_000, 3]]")
    faults = refused(tmp_path, aircraft=text)
    assert {fault.key for fault in faults} == {"fuel_transfers[0]", "fuel_transfers[1]"}
    assert all("beside a fuel index table" in fault.got for fault in faults)
