"""Loading scenarios: units, CSV tables, defaults, the round trip through a manifest."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from cgrisk.errors import Fault, InputError, RunFolderError, UsageError
from cgrisk.report.check_text import assumptions_text
from cgrisk.scenario import Scenario, expand_seats, load_scenario
from cgrisk.scenario.fields import ASSUMPTION
from cgrisk.scenario.operation_file import Service
from cgrisk.scenario.registry import (
    HELD,
    assumption_register,
    is_unused,
    unused_fields,
)
from cgrisk.scenario.shapes import shape_named
from cgrisk.scenario.shipped import DEFAULT, shipped_folder, shipped_scenarios, write_template
from cgrisk.units import LB_TO_KG
from tests.scenario_cases import (
    MODELS,
    SHIPPED,
    edit,
    imperial_file,
    relative_differences,
    shipped_text,
    toml_text,
    write_scenario,
)

FUEL = [(0, 0.0), (3_000, -2.9), (8_000, -6.1), (14_400, 1.4)]
#: As large a relative difference as the conversions there and back can make.
ROUNDING = 1e-12


def raw(name: str) -> dict[str, Any]:
    return tomllib.loads(shipped_text(name))


def csv_scenario(folder: Path, *, system: str = "kg/m") -> Path:
    """The shipped aircraft with its cabin as a seat plan and its fuel as an index table."""
    seats = expand_seats(load_scenario(SHIPPED).aircraft.cabin)
    aircraft = raw("aircraft")
    for key in ("tanks", "refuel_order", "burn_schedule"):
        del aircraft[key]
    del aircraft["sources"]["tanks"]
    for key in ("first_row_arm", "seats", "rows"):
        del aircraft["cabin"][key]
    aircraft["cabin"]["seat_plan"] = "seats.csv"
    aircraft["fuel_index_table"] = "fuel.csv"
    operation = raw("operation")
    length, mass = (1.0, 1.0) if system == "kg/m" else (1 / 0.0254, 1 / LB_TO_KG)
    if system == "lb/in":
        aircraft = imperial_file("aircraft", aircraft)
        operation = imperial_file("operation", operation)
    write_scenario(folder, aircraft=toml_text(aircraft), operation=toml_text(operation))
    rows = [f"{s.row},{s.letter},{s.arm * length!r},{s.position}" for s in seats]
    (folder / "seats.csv").write_text("row,letter,arm,position\n" + "\n".join(rows) + "\n")
    rows = [f"{fuel * mass!r},{index}" for fuel, index in FUEL]
    (folder / "fuel.csv").write_text("fuel,index\n" + "\n".join(rows) + "\n")
    return folder


# --- the shipped scenario ---


def test_shipped_scenario_from_folder_and_from_file(tmp_path: Path) -> None:
    folder = load_scenario(SHIPPED)
    file = load_scenario(str(SHIPPED / "operation.toml"))
    assert folder.resolved() == file.resolved()
    assert Path(folder.origin) == Path(file.origin) == SHIPPED / "operation.toml"
    other = write_scenario(tmp_path)
    (other / "operation.toml").rename(other / "winter.toml")
    assert load_scenario(other / "winter.toml").digest() == folder.digest()


def test_shipped_values_are_in_si() -> None:
    scenario = load_scenario(SHIPPED)
    aircraft, operation = raw("aircraft"), raw("operation")
    assert scenario.name == operation["name"]
    assert scenario.aircraft.tanks[0].capacity == pytest.approx(
        aircraft["tanks"][0]["capacity"] / 1000, rel=1e-15
    )
    assert scenario.operation.fuel.density == pytest.approx(
        1000 * operation["fuel"]["density"], rel=1e-15
    )
    assert scenario.operation.phases[1].fuel_flow == pytest.approx(
        operation["phases"][1]["fuel_flow"] / 3600, rel=1e-15
    )
    assert scenario.aircraft.masses.max_taxi == aircraft["masses"]["max_taxi"]


def test_defaults_are_si_in_files_of_either_system(tmp_path: Path) -> None:
    texts = {name: toml_text(imperial_file(name, raw(name))) for name in MODELS}
    scenario = load_scenario(write_scenario(tmp_path, **texts))
    assert scenario.aircraft.reference_density == 800.0
    assert scenario.operation.load_sheet.arm_step == 0.01
    assert scenario.operation.mass.body.men.mean == 82.2
    assert scenario.operation.service.crew_mass == Service().crew_mass == 75.0


@pytest.mark.parametrize("imperial", [["aircraft"], ["operation"], ["aircraft", "operation"]])
def test_units_of_each_file_make_no_difference(tmp_path: Path, imperial: list[str]) -> None:
    texts = {name: toml_text(imperial_file(name, raw(name))) for name in imperial}
    converted = load_scenario(write_scenario(tmp_path, **texts)).resolved()
    differences = relative_differences(load_scenario(SHIPPED).resolved(), converted)
    assert len(differences) > 200
    assert max(differences.values()) < ROUNDING
    for name in MODELS:
        assert converted[name]["units"] == ("lb/in" if name in imperial else "kg/m")


def test_the_converter_of_these_tests_by_hand() -> None:
    aircraft = imperial_file("aircraft", raw("aircraft"))
    assert aircraft["masses"]["max_taxi"] == pytest.approx(162_921.61, abs=0.01)
    assert aircraft["reference"]["mac"] == pytest.approx(165.354, abs=0.001)
    assert aircraft["tanks"][0]["capacity"] == pytest.approx(1_690.70, abs=0.01)
    assert aircraft["envelopes"][0]["forward"][0] == [pytest.approx(88_184.90, abs=0.01), 12.0]


# --- CSV tables ---


@pytest.mark.parametrize("system", ["kg/m", "lb/in"])
def test_csv_tables(tmp_path: Path, system: str) -> None:
    scenario = load_scenario(csv_scenario(tmp_path, system=system))
    shipped = expand_seats(load_scenario(SHIPPED).aircraft.cabin)
    seats = expand_seats(scenario.aircraft.cabin)
    assert [(s.row, s.letter, s.position) for s in seats] == [
        (s.row, s.letter, s.position) for s in shipped
    ]
    assert [s.arm for s in seats] == pytest.approx([s.arm for s in shipped], rel=ROUNDING)
    assert [list(point) for point in scenario.aircraft.fuel_index] == [
        [pytest.approx(fuel, rel=ROUNDING), index] for fuel, index in FUEL
    ]
    assert scenario.aircraft.cabin.seat_plan == "seats.csv"
    assert scenario.aircraft.fuel_index_table == "fuel.csv"


def test_csv_of_a_spreadsheet(tmp_path: Path) -> None:
    """Marked as UTF-8, lines ending as on Windows, columns in another order, blank lines, gaps."""
    folder = csv_scenario(tmp_path)
    lines = (folder / "seats.csv").read_text().splitlines()[1:]
    mixed = ["position,arm,aisle,letter,row", ""]
    for line in lines:
        row, letter, arm, position = line.split(",")
        mixed += [f" {position} ,{arm},,{letter},{row}", ",,,,"]
    plain = load_scenario(folder)
    (folder / "seats.csv").write_bytes(b"\xef\xbb\xbf" + "\r\n".join(mixed).encode())
    assert load_scenario(folder).resolved() == plain.resolved()


def csv_faults(folder: Path, file: str, text: str | bytes) -> list[Fault]:
    path = csv_scenario(folder) / file
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError, match=r"expected .*; got ") as caught:
        load_scenario(folder)
    return list(caught.value.faults)


HEAD = "row,letter,arm,position\n"
CSV_CASES = {
    "empty": ("seats.csv", "", 1, "row", "no such column"),
    "header alone": ("seats.csv", HEAD, None, "", "at least one row"),
    "column missing": ("fuel.csv", "fuel\n1\n", 1, "index", "no such column"),
    "column unknown": ("fuel.csv", "fuel,index,mass\n1,2,3\n", 1, "", 'the column "mass"'),
    "column twice": ("fuel.csv", "fuel,index,fuel\n1,2,3\n", 1, "fuel", "2 columns of that name"),
    "semicolons": ("fuel.csv", "fuel;index\n1;2\n", 1, "", "apart by semicolons"),
    "cell too many": ("fuel.csv", "fuel,index\n0,0\n1,5,1\n", 3, "", "2 cells"),
    "no number": ("fuel.csv", "fuel,index\n0,zero\n", 2, "index", 'a number; got "zero"'),
    "empty cell": ("fuel.csv", "fuel,index\n0,\n", 2, "index", "got an empty cell"),
    "quote open": ("fuel.csv", 'fuel,index\n0,"1\n', 2, "", "valid CSV"),
    "fraction of a row": ("seats.csv", HEAD + "1.5,A,7,window\n", 2, "row", "a whole number"),
    "row 0": ("seats.csv", HEAD + "\n0,A,7,window\n", 3, "row", "from 1 to 999; got 0"),
    "small letter": ("seats.csv", HEAD + "1,a,7,window\n", 2, "letter", "one letter A to Z"),
    "far away": ("seats.csv", HEAD + "1,A,700,window\n", 2, "arm", "-200 to 200 m; got 700"),
    "no place": ("seats.csv", HEAD + "1,A,7,door\n", 2, "position", '"window", "middle" or'),
    "seat twice": (
        "seats.csv", HEAD + "1,A,7,window\n1,A,8,aisle\n", 3, "letter", '"1A" once more',
    ),
    "fuel falls": ("fuel.csv", "fuel,index\n0,0\n5,1\n4,1\n", 4, "fuel", "fuel above 5 kg"),
    "index without fuel": ("fuel.csv", "fuel,index\n0,40\n9,41\n", 2, "index", "index 0 without"),
    "no fuel at all": ("fuel.csv", "fuel,index\n0,0\n", 2, "fuel", "a last row with full tanks"),
    "not UTF-8": ("fuel.csv", b"fuel,index\n0,\xff\n", 2, "", "not UTF-8"),
}  # fmt: skip


@pytest.mark.parametrize("name", CSV_CASES)
def test_faulty_csv(tmp_path: Path, name: str) -> None:
    file, text, line, key, words = CSV_CASES[name]
    found = [f for f in csv_faults(tmp_path, file, text) if Path(f.file).name == file]
    fault = next(f for f in found if words in str(f))
    assert (fault.line, fault.key) == (line, key)


def test_csv_with_too_many_rows(tmp_path: Path) -> None:
    text = HEAD + "".join(f"{1 + i // 26},{chr(65 + i % 26)},7,window\n" for i in range(1_001))
    (fault,) = csv_faults(tmp_path, "seats.csv", text)
    assert fault.key == "cabin.seat_table"
    assert fault.got == "a list of 1001 entries"
    faults = csv_faults(tmp_path, "seats.csv", HEAD + "1,A,7,window\n" * 6_000)
    assert [f.expected for f in faults] == ["at most 5000 rows"]


def test_faulty_csv_does_not_hide_the_other_faults(tmp_path: Path) -> None:
    folder = csv_scenario(tmp_path)
    (folder / "seats.csv").write_text(HEAD + "x,A,7,window\n")
    (folder / "fuel.csv").write_text("fuel,index\n0,x\n")
    text, _ = edit((folder / "operation.toml").read_text(), r"^fleet = \d+", "fleet = 0")
    (folder / "operation.toml").write_text(text)
    with pytest.raises(InputError, match="a whole number") as caught:
        load_scenario(folder)
    assert [(Path(f.file).name, f.key) for f in caught.value.faults] == [
        ("operation.toml", "fleet"),
        ("fuel.csv", "index"),
        ("seats.csv", "row"),
    ]


def test_table_in_a_file_and_in_the_aircraft_file(tmp_path: Path) -> None:
    folder = csv_scenario(tmp_path)
    text = (folder / "aircraft.toml").read_text() + "fuel_index = [[14_400, 3]]\n"
    (folder / "aircraft.toml").write_text(text)
    with pytest.raises(InputError, match="either fuel_index_table or fuel_index; got both"):
        load_scenario(folder)


# --- the manifest ---


@pytest.mark.parametrize("csv", [False, True])
def test_round_trip_through_a_manifest_needs_no_files(tmp_path: Path, csv: bool) -> None:
    folder = csv_scenario(tmp_path) if csv else write_scenario(tmp_path)
    scenario = load_scenario(folder)
    for path in folder.iterdir():
        path.unlink()
    kept = json.loads(json.dumps(scenario.resolved()))
    again = Scenario.from_resolved(kept, origin=scenario.origin)
    assert again == scenario
    assert again.digest() == scenario.digest()
    assert assumption_register(again) == assumption_register(scenario)


def test_digest_tells_contents_apart(tmp_path: Path) -> None:
    text, _ = edit(shipped_text("operation"), r"^fleet = \d+", "fleet = 11")
    assert load_scenario(write_scenario(tmp_path, operation=text)).digest() != (
        load_scenario(SHIPPED).digest()
    )


# --- what the checks let pass ---


@pytest.mark.parametrize(
    ("file", "pattern", "replacement"),
    [
        ("aircraft", r"^max_zero_fuel = [\d_]+", "max_zero_fuel = 64_800"),
        ("aircraft", r"^aft = .*$", "aft = [[50_000, 31.0], [50_000, 33.0], [73_900, 34.0]]"),
        ("aircraft", r"^capacity = 6_400", "capacity = 6_401"),
        ("aircraft", r"^layers = .*$", "arm_by_quantity = [[3_000, 16.7], [6_400, 16.75]]"),
        ("operation", r"^adults = 42", "adults = 52"),
        ("operation", r'^rows = "1-9"', 'rows = "1-9"\narm = 4.61'),
        ("operation", r"^block = [\d_]+", "block = 14_400"),
        ("operation", r"^bags = 80", "bags = 334"),
        ("operation", r"^share = 0\.36", "share = 0.75"),
        ("operation", r'^kind = "descent"', 'kind = "cruise"\nname = "lower"'),
        ("operation", r'(?s)^\[\[service\.carts\]\].*\Z', ""),
        ("operation", r'^rule = "free"', 'rule = "free"\nblocked = ["29F", "28"]'),
    ],
)  # fmt: skip
def test_limits_themselves_are_accepted(
    tmp_path: Path, file: str, pattern: str, replacement: str
) -> None:
    text, _ = edit(shipped_text(file), pattern, replacement)
    load_scenario(write_scenario(tmp_path, **{file: text}))


def test_row_numbers_that_the_cabin_skips(tmp_path: Path) -> None:
    """A cabin without row 13, and a zone that spans it."""
    aircraft, _ = edit(shipped_text("aircraft"), r'rows = "1-29"', 'rows = "1-12,14-29"')
    scenario = load_scenario(write_scenario(tmp_path, aircraft=aircraft))
    assert len(expand_seats(scenario.aircraft.cabin)) == 168


# --- the register ---


def test_what_a_stated_table_leaves_out_is_told_as_a_default(tmp_path: Path) -> None:
    """The skewness of men whose mean and spread are stated, and the table left out as a whole."""
    men = "operation.mass.body.men."
    told = {e.key: e for e in assumption_register(load_scenario(write_scenario(tmp_path / "a")))}
    assert (told[f"{men}skewness"].value, told[f"{men}skewness"].given) == (1.14, False)
    table = "\n[mass.body.men]\nmean = 88.0\nsd = 15.0\n"
    folder = write_scenario(tmp_path / "b", operation=shipped_text("operation") + table)
    scenario = load_scenario(folder)
    told = {entry.key: entry for entry in assumption_register(scenario)}
    skewness = told[f"{men}skewness"]
    assert (skewness.value, skewness.given, skewness.source) == (1.2, False, ASSUMPTION)
    assert skewness.assumed
    assert told[f"{men}mean"].given
    assert f"  {men}skewness = 1.2 (default)\n" in assumptions_text(scenario)
    assert f"  {men}mean = 88.0 kg\n" in assumptions_text(scenario)
    sourced = shipped_text("operation") + table + '\n[sources]\n"mass.body.men" = "a survey"\n'
    scenario = load_scenario(write_scenario(tmp_path / "c", operation=sourced))
    told = {entry.key: entry for entry in assumption_register(scenario)}
    assert {told[men + name].source for name in ("mean", "sd", "skewness")} == {"a survey"}


def test_register_tells_where_values_come_from(tmp_path: Path) -> None:
    operation, _ = edit(shipped_text("operation"), r"^adult_mass = \d+", "adult_mass = 90")
    operation, _ = edit(operation, r"^burn_sd = [\d.]+", "burn_sd = 0.05")
    operation, _ = edit(
        operation, r"\Z", '\n[sources]\n"fuel" = "fuel records"\n"fuel.block" = "flight plan"\n'
    )
    register = {
        entry.key: entry
        for entry in assumption_register(
            load_scenario(write_scenario(tmp_path, operation=operation))
        )
    }
    found = register["operation.load_sheet.adult_mass"]
    assert (found.value, found.unit, found.given, found.assumed) == (90.0, "kg", True, True)
    assert "without a source" in found.source
    assert register["operation.fuel.block"].source == "flight plan"
    assert register["operation.fuel.burn_sd"].source == "fuel records"
    assert not register["operation.fuel.burn_sd"].assumed
    child = register["operation.load_sheet.child_mass"]
    assert (child.given, child.assumed) == (False, False)
    assert "CAT.POL.MAB" in child.source
    men = register["operation.mass.body.men.mean"]
    assert (men.value, men.unit, men.given) == (82.2, "kg", False)
    assert men.source.startswith("mean: EASA.2021.C24")
    sign = register["operation.behaviour.sign_factor"]
    assert (sign.source, sign.given, sign.assumed) == ("assumption", False, True)
    assert register["aircraft.masses.max_taxi"].source == "invented"
    assert register["aircraft.envelopes[0].forward"].unit == "kg, % MAC"
    assert register["operation.fuel.density"].unit == "kg/m3"
    assert "operation.units" not in register
    assert not any(key.split(".")[1] == "sources" for key in register)


def test_register_has_every_number_of_the_scenario() -> None:
    scenario = load_scenario(SHIPPED)

    def numbers(data: Any) -> int:
        if isinstance(data, dict):
            return sum(numbers(value) for key, value in data.items() if key != "schema")
        if isinstance(data, list | tuple):
            return sum(numbers(value) for value in data)
        return isinstance(data, int | float) and not isinstance(data, bool)

    register = assumption_register(scenario)
    assert len({entry.key for entry in register}) == len(register)
    assert sum(numbers(entry.value) for entry in register) == numbers(scenario.resolved())


def test_unused_fields_are_fields() -> None:
    for key, why in unused_fields():
        file, _, rest = key.partition(".")
        assert shape_named(MODELS[file], rest) is not None, key
        assert why
    for key, of in HELD:
        assert is_unused(key)
        assert not is_unused(of)
    assert is_unused("aircraft.holds[0].max_load")
    assert not is_unused("operation.crowd.surge_people")
    assert not is_unused("operation.phases[3].minutes")


# --- the shipped files and their copies ---


def test_shipped_scenarios_load() -> None:
    assert DEFAULT in shipped_scenarios()
    assert shipped_scenarios()[DEFAULT].parent == shipped_folder()
    for folder in shipped_scenarios().values():
        scenario = load_scenario(folder)
        assert "nvented" in scenario.aircraft.note
        assert "nvented" in scenario.operation.note


@pytest.mark.parametrize("case", ["commuter", "twin_aisle"])
def test_any_shipped_case_can_be_copied(tmp_path: Path, case: str) -> None:
    write_template(tmp_path / case, case=case)
    copied = load_scenario(tmp_path / case)
    assert copied.digest() == load_scenario(shipped_scenarios()[case]).digest()


def test_a_case_that_is_not_shipped_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="commuter or single_aisle or twin_aisle"):
        write_template(tmp_path / "case", case="none")


def test_template_is_a_commented_copy(tmp_path: Path) -> None:
    written = write_template(tmp_path / "new" / "case")
    copied = {"aircraft.toml", "operation.toml", "policies.toml", "loads.csv"}
    assert {path.name for path in written} == copied
    assert load_scenario(tmp_path / "new" / "case").digest() == load_scenario(SHIPPED).digest()
    assert (tmp_path / "new" / "case" / "aircraft.toml").read_text().startswith("# An INVENTED")
    (tmp_path / "empty").mkdir()
    write_template(tmp_path / "empty")


def test_template_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(UsageError, match="a folder that does not exist yet or is empty"):
        write_template(tmp_path)
    with pytest.raises(UsageError, match="Choose another name"):
        write_template(tmp_path / "notes.txt")
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_template_where_nothing_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RunFolderError, match="cannot be written"):
        write_template(tmp_path / "file" / "below")
