"""Past load sheets and operators' envelopes as files: what is read, and every fault at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from cgrisk.errors import InputError
from cgrisk.scenario.envelope_file import read_envelope
from cgrisk.scenario.loads_file import load_columns, read_loads
from tests.flight_cases import SHIPPED, edited, shipped_scenario

HEADER = (
    "name,zone A adults,zone A children,zone B adults,zone C adults,hold forward hold bags,"
    "hold forward hold cargo,hold aft hold cargo,fuel,zero_fuel_mass"
)
GOOD = "one,42,2,48,50,40,300,1250.5,10400,"


def written(folder: Path, *lines: str, name: str = "loads.csv") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_sheet_is_read_with_what_it_leaves_out_as_nothing(tmp_path: Path) -> None:
    path = written(tmp_path, "# invented", "", HEADER, GOOD, ",1,0,2,3,4,5,6,7e3,47000")
    first, second = read_loads(path, scenario=shipped_scenario()).loads
    assert (first.line, first.name, first.adults, first.children) == (
        4, "one", (42, 48, 50), (2, 0, 0),
    )  # fmt: skip
    assert (first.bags, first.cargo_kg, first.fuel_kg) == ((40, 0), (300.0, 1250.5), 10400.0)
    assert first.zero_fuel_mass_kg is None
    assert (second.name, second.fuel_kg, second.zero_fuel_mass_kg) == ("line 5", 7000.0, 47000.0)


def test_names_are_plain_text_whatever_they_look_like(tmp_path: Path) -> None:
    names = ["=1+1", "@SUM(A1)", '"a, b"', "#12"]
    path = written(tmp_path, HEADER, *(GOOD.replace("one", name) for name in names))
    loads = read_loads(path, scenario=shipped_scenario()).loads
    assert [load.name for load in loads] == ["=1+1", "@SUM(A1)", "a, b", "#12"]


def test_masses_are_in_the_units_of_the_operation_file(tmp_path: Path) -> None:
    scenario = edited({"operation.units": "lb/in"})
    path = written(tmp_path, HEADER, GOOD.replace("10400", "22000"))
    (load,) = read_loads(path, scenario=scenario).loads
    assert load.fuel_kg == pytest.approx(22000 * 0.45359237, rel=1e-15)
    assert load.cargo_kg[1] == pytest.approx(1250.5 * 0.45359237, rel=1e-15)


def test_the_shipped_loads_are_read_and_marked_invented() -> None:
    path = SHIPPED / "loads.csv"
    loads = read_loads(path, scenario=shipped_scenario()).loads
    assert path.read_text(encoding="utf-8").startswith("# INVENTED")
    assert len(loads) == 24
    aboard = [sum(load.adults) + sum(load.children) for load in loads]
    assert min(aboard) == 0
    assert max(aboard) == 174


CELLS = {
    "nan": ("10400", "nan", "fuel", "a mass in kg"),
    "infinite": ("10400", "inf", "fuel", "a mass in kg"),
    "negative": ("10400", "-1", "fuel", "at least 0"),
    "too large": ("10400", "9e9", "fuel", "at most 1000000 kg"),
    "endless figures": ("10400", "9" * 400, "fuel", "a mass in kg"),
    "underscores": ("10400", "10_400", "fuel", "a mass in kg"),
    "no fuel": ("10400", "", "fuel", "got an empty cell"),
    "a fraction of a bag": ("40,300", "1.5,300", "hold forward hold bags", "a whole number"),
    "negative people": ("42,2", "-3,2", "zone A adults", "a whole number from 0 to 1000"),
    "figures of another script": ("42,2", "٤,2", "zone A adults", "a whole number"),
    "unprintable name": ("one", "a\tb", "name", "printable text"),
    "endless name": ("one", "x" * 200, "name", "at most 120 characters"),
    "more people than seats": ("42,2", "53,2", "zone A adults", "at most 54 people"),
    "too much in a hold": ("40,300", "40,3000", "hold forward hold bags", "at most the maximum"),
    "more fuel than tanks": ("10400", "30000", "fuel", "at most what the tanks hold"),
    "less fuel than is burnt": ("10400", "1000", "fuel", "at least what the phases burn"),
}


@pytest.mark.parametrize("case", CELLS)
def test_a_faulty_cell_is_told_with_line_column_and_cure(case: str, tmp_path: Path) -> None:
    old, new, column, text = CELLS[case]
    assert old in GOOD
    path = written(tmp_path, HEADER, GOOD, GOOD.replace(old, new, 1))
    with pytest.raises(InputError, match="expected") as caught:
        read_loads(path, scenario=shipped_scenario())
    (fault,) = caught.value.faults
    assert (fault.file, fault.line, fault.key) == (str(path), 3, column)
    assert text in str(fault)
    assert fault.cure


def test_all_faults_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    path = written(
        tmp_path, HEADER, GOOD.replace("42", "x"), GOOD.replace("10400", "nan"), GOOD + ",extra"
    )
    with pytest.raises(InputError, match="11") as caught:
        read_loads(path, scenario=shipped_scenario())
    assert [(fault.line, fault.key) for fault in caught.value.faults] == [
        (2, "zone A adults"),
        (3, "fuel"),
        (4, ""),
    ]


@pytest.mark.parametrize(
    ("header", "text"),
    [
        (HEADER.replace("fuel,", "feul,"), 'the column "feul"'),
        (HEADER.replace("zone B adults,", "fuel,"), "2 columns of that name"),
        (HEADER.replace("zone C adults", "zone D adults"), "zone C adults"),
        (HEADER.replace(",", ";"), "apart by semicolons"),
    ],
)
def test_a_wrong_header_is_told(header: str, text: str, tmp_path: Path) -> None:
    path = written(tmp_path, header, GOOD)
    with pytest.raises(InputError, match="the columns zone A adults") as caught:
        read_loads(path, scenario=shipped_scenario())
    assert text in str(caught.value)


def test_a_hold_without_any_column_is_told(tmp_path: Path) -> None:
    header = HEADER.replace("hold aft hold cargo,", "")
    path = written(tmp_path, header, GOOD.replace("1250.5,", ""))
    with pytest.raises(InputError, match='"hold aft hold bags" or "hold aft hold cargo"'):
        read_loads(path, scenario=shipped_scenario())


def test_very_many_faults_are_cut_short(tmp_path: Path) -> None:
    path = written(tmp_path, HEADER, *[GOOD.replace("10400", "nan")] * 700)
    with pytest.raises(InputError, match="700 faults, of which these are some") as caught:
        read_loads(path, scenario=shipped_scenario())
    assert len(caught.value.faults) == 501


def test_too_many_rows_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path, HEADER, *[GOOD] * 100_001)
    with pytest.raises(InputError, match="at most 100000 rows"):
        read_loads(path, scenario=shipped_scenario())


def test_columns_are_named_after_zones_and_holds() -> None:
    must, may = load_columns(shipped_scenario())
    assert must == ("zone A adults", "zone B adults", "zone C adults", "fuel")
    assert "hold aft hold bags" in may
    assert "zone C children" in may


ENVELOPE = "mass_kind,mass,forward,aft"


@pytest.mark.parametrize(
    ("rows", "line", "text"),
    [
        (["take_of,5,1,2"], 2, "one of zero_fuel, take_off, landing"),
        (["landing,nan,1,2"], 2, "a mass in kg"),
        (["landing,-5,1,2"], 2, "a mass in kg"),
        (["landing,5,1,inf"], 2, "a limit in % MAC"),
        (["landing,5,1,201"], 2, "a limit in % MAC"),
        (["landing,5,1,2"], 2, "at least two rows of landing"),
        (["landing,5,1,2", "take_off,9,1,2", "take_off,4,1,2", "landing,6,1,2"], 4, "before it"),
        (["landing,5,1,2", "landing,5,1,3", "landing,5,1,4"], 4, "at most two rows of landing"),
        (["landing,5,33,12", "landing,9,34,11"], 2, "forward of the aft limit in at least one row"),
        ([], 1, "at least one row"),
    ],
)
def test_a_faulty_envelope_is_told(rows: list[str], line: int, text: str, tmp_path: Path) -> None:
    path = written(tmp_path, ENVELOPE, *rows)
    with pytest.raises(InputError, match="expected") as caught:
        read_envelope(path, system="kg/m")
    assert text in str(caught.value)
    assert (caught.value.faults[0].line or 1) == line


def test_all_faults_of_an_envelope_are_told_at_once(tmp_path: Path) -> None:
    path = written(tmp_path, ENVELOPE, "landing,5,1,2", "take_off,5,1,2", "take_off,4,1,2")
    with pytest.raises(InputError, match="landing") as caught:
        read_envelope(path, system="kg/m")
    assert [fault.line for fault in caught.value.faults] == [2, 4]
