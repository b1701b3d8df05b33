"""The catalogue of fields, and the JSON Schemas made from the same models."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from cgrisk.errors import UsageError
from cgrisk.scenario.catalogue import (
    SCHEMA_FOLDER,
    describe_fields,
    find_fields,
    json_schemas,
    schema_text,
)
from cgrisk.scenario.fields import ASSUMPTION, DATA, FORMAT, source_of
from cgrisk.scenario.mass_file import BodyMass, PopulationMass
from tests.scenario_cases import MODELS, shipped_text

FIELDS = {info.key: info for info in describe_fields()}


def test_every_field_is_described() -> None:
    assert len(FIELDS) == len(describe_fields()) > 200
    for info in FIELDS.values():
        assert info.meaning.strip().endswith("."), info.key
        assert info.source, info.key
        assert info.accepts, info.key
        assert info.default, info.key


def test_every_key_of_the_shipped_files_is_described() -> None:
    def keys(data: Any, prefix: str) -> set[str]:
        if isinstance(data, list):
            found = [keys(entry, prefix) for entry in data if isinstance(entry, dict)]
            return {f"{prefix}[]"} | {
                key[: len(prefix)] + "[]" + key[len(prefix) :]
                for some in found
                for key in some
                if key != prefix
            }
        if isinstance(data, dict) and not prefix.endswith((".sources", ".ranges")):
            return {prefix}.union(*(keys(value, f"{prefix}.{key}") for key, value in data.items()))
        return {prefix}

    for name in MODELS:
        used = keys(tomllib.loads(shipped_text(name)), name) - {name}
        # A list of fixed length, such as the adults of a party, is one value.
        assert {key.removesuffix("[]") for key in used} <= {
            key.removesuffix("[]") for key in FIELDS
        }


@pytest.mark.parametrize(
    ("key", "unit", "accepts", "default"),
    [
        ("aircraft.masses.max_taxi", "kg or lb", "a number from 0 to 1000000 kg", "required"),
        ("aircraft.reference.mac", "m or in", "a number above 0 and at most 30 m", "required"),
        ("aircraft.reference_density", "kg/l or lb/US gal", "a number from 0.6 to 1 kg/l", "0.8"),
        ("aircraft.schema", "", "the whole number 1", "required"),
        ("aircraft.envelopes[].aft[]", "kg or lb, % MAC", "a list of 1 to 40 entries, each", ""),
        ("aircraft.tanks[].capacity", "l or US gal", "a number from 1 to 500000 l", "required"),
        ("aircraft.limits_refer_to.gear", "", '"down" or "up"', '"down"'),
        ("aircraft.cabin.seats", "", "seat letters A to Z", "none"),
        ("aircraft.flap_travel_s", "s", "a number from 0 to 120 s", "20.0"),
        ("operation.fuel.density_sd", "kg/l or lb/US gal", "from 0 to 0.1 kg/l", "0.008"),
        ("operation.fleet", "", "a whole number from 1 to 1000", "10"),
        ("operation.phases[].sign", "", "true or false", "false"),
        ("operation.phases[]", "", "a list of 1 to 40 tables", "required"),
        ("operation.parties[].children", "", "a list of 2 entries: a whole number", "[0, 0]"),
        ("operation.mass.body.men", "", "a table", "as its keys say"),
        ("operation.sources", "", "a table of texts", "{}"),
        ("operation.ranges", "", "a table of lists of two numbers", "{}"),
    ],
)
def test_fields_by_hand(key: str, unit: str, accepts: str, default: str) -> None:
    info = FIELDS[key]
    assert info.unit == unit
    assert accepts in info.accepts
    assert default in info.default


def test_sources() -> None:
    assert FIELDS["operation.behaviour.sign_factor"].source == ASSUMPTION
    assert FIELDS["operation.units"].source == FORMAT
    assert "CAT.POL.MAB" in FIELDS["operation.load_sheet.adult_mass"].source


@pytest.mark.parametrize("people", ["men", "women", "children"])
def test_fields_tell_what_holds_where_a_table_is_left_out(people: str) -> None:
    """Such a table has other values than the defaults of its keys, from a source of its own."""
    held = getattr(BodyMass(), people)
    source = source_of(BodyMass.model_fields[people])
    for name, default in (("mean", "required"), ("sd", "required"), ("skewness", "1.2")):
        info = FIELDS[f"operation.mass.body.{people}.{name}"]
        assert info.default == f"{default}; {getattr(held, name)} where the table is left out"
        assert info.source.endswith(
            f"of a value stated: {DATA}; where the table is left out: {source}"
        )
    assert FIELDS[f"operation.mass.body.{people}.skewness"].source.startswith("of the default: cgr")
    schema = json_schemas()["operation"]["$defs"]["BodyMass"]["properties"][people]
    assert PopulationMass(**schema["default"]) == held
    assert schema["source"] == source


@pytest.mark.parametrize(
    "key",
    [
        "aircraft.stabilizer.unit_degrees",
        "aircraft.stabilizer.step",
        "aircraft.limits_refer_to.gear",
        "operation.load_sheet.basis",
        "operation.phases[].gear",
        "operation.service.carts[].crew",
    ],
)
def test_a_default_of_our_own_is_not_said_to_be_of_the_operators_papers(key: str) -> None:
    assert FIELDS[key].source == f"of the default: cgrisk's own; of a value stated: {DATA}"
    assert FIELDS["aircraft.masses.max_taxi"].source == DATA
    assert FIELDS["operation.load_sheet"].source == "as its keys say"


def test_find_fields() -> None:
    assert [info.key for info in find_fields("aircraft.reference.mac")] == [
        "aircraft.reference.mac"
    ]
    assert [info.key for info in find_fields("density_sd")] == ["operation.fuel.density_sd"]
    below = [info.key for info in find_fields("operation.seating")]
    assert below[0] == "operation.seating"
    assert "operation.seating.rule" in below
    assert all(key.startswith("operation.seating") for key in below)
    for written in ("aircraft.tanks.capacity", "tanks[].capacity", "aircraft.tanks[1].capacity"):
        assert [info.key for info in find_fields(written)] == ["aircraft.tanks[].capacity"]


@pytest.mark.parametrize("wanted", ["aircraft.masses.max_taxy", "max_taxy"])
def test_unknown_field_names_the_nearest(wanted: str) -> None:
    with pytest.raises(UsageError, match=r"Nearest: .*aircraft\.masses\.max_taxi"):
        find_fields(wanted)


@pytest.mark.parametrize("wanted", ["xyzzy", "", "..", "[]", "\x00" * 40])
def test_field_like_none(wanted: str) -> None:
    with pytest.raises(UsageError, match="a key of the scenario files"):
        find_fields(wanted)


# --- JSON Schema ---


@pytest.mark.parametrize("stem", MODELS)
def test_committed_schema_is_that_of_the_models(stem: str) -> None:
    """When the models change: see ``write_schemas``."""
    committed = (SCHEMA_FOLDER / f"{stem}.schema.json").read_text(encoding="utf-8")
    assert committed == schema_text(json_schemas()[stem])


def test_no_other_schema_is_committed() -> None:
    found = {path.name for path in SCHEMA_FOLDER.iterdir()}
    assert found == {f"{stem}.schema.json" for stem in (*MODELS, "policies")}


@pytest.mark.parametrize("stem", MODELS)
def test_schema_accepts_the_shipped_file_and_refuses_slips(stem: str) -> None:
    schema = json_schemas()[stem]
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    data = tomllib.loads(shipped_text(stem))
    assert not list(validator.iter_errors(data))
    slips: list[dict[str, Any]] = [
        data | {"schema": 2},
        data | {"units": "kg/cm"},
        data | {"xylophone": 1},
        data | {"name": 1},
        {key: value for key, value in data.items() if key != "name"},
    ]
    for slip in slips:
        assert list(validator.iter_errors(slip))


def test_schema_tells_units_sources_and_defaults_as_files_write_them() -> None:
    fuel = json_schemas()["operation"]["$defs"]["Fuel"]["properties"]
    assert fuel["density_sd"]["default"] == 0.008
    assert fuel["density_sd"]["unit"] == "kg/l or lb/US gal"
    assert "assumption" in fuel["density_sd"]["source"]
    assert "minimum" not in fuel["density_sd"]
    assert (fuel["burn_sd"]["minimum"], fuel["burn_sd"]["maximum"]) == (0.0, 1.0)
    assert '"default": {' not in json.dumps(json_schemas()["operation"]["properties"]["mass"])
