"""Each of the well-known slips is refused in words of its own, or shown to be none."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from cgrisk.errors import Fault, InputError
from cgrisk.flight import prepare
from cgrisk.scenario import load_scenario
from cgrisk.scenario.loading import meaning_problems
from cgrisk.scenario.seats import expand_seats
from tests.flight_cases import edited, shipped_scenario
from tests.scenario_cases import shipped_text, toml_text, write_scenario
from tests.twin_cases import trim_aircraft

AIRCRAFT, OPERATION = "aircraft", "operation"
LEFT_TO_ITSELF = {"name": "round", "at_fuel": 9_000.0, "flow": 2_000.0}


class Slip(NamedTuple):
    """Where a value is put, and what is told: key of the fault, expected, got, the cure."""

    file: str
    path: str
    value: Any
    key: str
    expected: str
    got: str
    cure: str


def twice(path: str) -> Any:
    """The first entry of a list once more."""
    return lambda old: [*old, copy.deepcopy(old[0])] if path else old


def plan(cabin: dict[str, Any]) -> dict[str, Any]:
    """The cabin as a plan of its seats, the first of them twice."""
    seats = [seat.model_dump() for seat in expand_seats(shipped_scenario().aircraft.cabin)]
    kept = {k: v for k, v in cabin.items() if k in ("lavatories", "galleys", "crew_seats")}
    return {**kept, "seat_table": [*seats, seats[0]]}


def never_sit(operation: dict[str, Any]) -> None:
    """People who want up all the time, and at once again where the way is blocked."""
    operation["behaviour"] = {"trips_window": 60.0, "retry_mean": 0.1}
    operation["crowd"] = {"after_meal_factor": 50.0}


def two_classes(cabin: dict[str, Any]) -> dict[str, Any]:
    """The cabin with a second class that may go nowhere."""
    new = copy.deepcopy(cabin)
    (group,) = new["rows"]
    new["rows"] = [{**group, "rows": "1-4", "cabin_class": "business"}, {**group, "rows": "5-29"}]
    for key in ("lavatories", "galleys"):
        for place in new[key]:
            place["classes"] = ["economy"]
    return new


PHASE = "at most 1500 min together"
SLIPS: dict[str, Slip] = {
    # --- no number, no mass, no length ---
    "not a number": Slip(
        OPERATION, "fuel.block", float("nan"), "fuel.block", "from 0 to 1000000 kg", "nan",
        "cgrisk fields operation.fuel.block",
    ),
    "infinity": Slip(
        OPERATION, "fuel.block", float("inf"), "fuel.block", "from 0 to 1000000 kg", "inf",
        "cgrisk fields operation.fuel.block",
    ),
    "negative infinity": Slip(
        OPERATION, "fuel.block", float("-inf"), "fuel.block", "from 0 to 1000000 kg", "-inf",
        "cgrisk fields operation.fuel.block",
    ),
    "not a number in an envelope": Slip(
        AIRCRAFT, "envelopes.0.aft.0.1", float("nan"), "envelopes[0].aft[0][1]",
        "a number from -100 to 200 % MAC", "nan", "cgrisk fields aircraft.envelopes.aft",
    ),
    "negative mass": Slip(
        AIRCRAFT, "masses.dry_operating", -41_000.0, "masses.dry_operating",
        "from 0 to 1000000 kg", "-41000", "cgrisk fields aircraft.masses.dry_operating",
    ),
    "no dry mass": Slip(
        AIRCRAFT, "masses.dry_operating", 0.0, "masses.dry_operating", "at least 200 kg", "0 kg",
        "State the mass of the aircraft with crew and pantry",
    ),
    "negative cargo": Slip(
        OPERATION, "hold_loads.0.cargo", -1.0, "hold_loads[0].cargo", "from 0 to 1000000 kg",
        "-1", "cgrisk fields operation.hold_loads.cargo",
    ),
    "zero mean chord": Slip(
        AIRCRAFT, "reference.mac", 0.0, "reference.mac", "above 0 and at most 30 m", "0",
        "cgrisk fields aircraft.reference.mac",
    ),
    "chord of a millimetre": Slip(
        AIRCRAFT, "reference.mac", 0.001, "reference.mac", "at least 0.3 m", "0.001 m",
        "Check the unit of the chord.",
    ),
    "index unit of nothing": Slip(
        AIRCRAFT, "reference.index_scale", 1e-300, "reference.index_scale",
        "a number from 0.001 to 10000000 kg m", "1e-300",
        "cgrisk fields aircraft.reference.index_scale",
    ),
    "tank of nothing": Slip(
        AIRCRAFT, "tanks.0.capacity", 1e-300, "tanks[0].capacity", "from 1 to 500000 l", "1e-300",
        "cgrisk fields aircraft.tanks.capacity",
    ),
    "wing of nothing": Slip(
        AIRCRAFT, "aerodynamics.wing_area", 1e-300, "aerodynamics.wing_area", "0.1 to 2000 m2",
        "1e-300", "cgrisk fields aircraft.aerodynamics.wing_area",
    ),
    "tail on the wing": Slip(
        AIRCRAFT, "aerodynamics.tail_arm", 0.0, "aerodynamics.tail_arm", "from 0.5 to 200 m", "0",
        "cgrisk fields aircraft.aerodynamics.tail_arm",
    ),
    "wing of a model": Slip(
        AIRCRAFT, "aerodynamics.wing_area", 1.25, "aerodynamics.wing_area",
        "a stall speed of at most 300 kt", "kt with flaps", "Check wing_area",
    ),
    "bags of nothing": Slip(
        OPERATION, "mass.bag", {"mean": 1e-300}, "mass.bag.mean",
        "0 for no cabin bags, or at least 0.01 kg", "1e-300 kg", "State the mean mass",
    ),
    "flight that stands in the air": Slip(
        OPERATION, "phases.1.speed_kt", 1e-3, "phases[1].speed_kt", "or at least 20 kt",
        "0.001 kt", "equivalent airspeed in knots",
    ),
    "people of nothing": Slip(
        OPERATION, "mass.body.men.mean", 1e-9, "mass.body.men.mean", "from 1 to 300 kg", "1e-09",
        "cgrisk fields operation.mass.body.men.mean",
    ),
    # --- times ---
    "phase of no time": Slip(
        OPERATION, "phases.0.minutes", 3.1e-51, "phases[0].minutes", "from 0.01 to 1500 min",
        "3.1e-51", "cgrisk fields operation.phases.minutes",
    ),
    "flight without an end": Slip(
        OPERATION, "phases.3.minutes", 1_499.0, "phases", PHASE, "min",
        "they are in minutes, and of one flight",
    ),
    "people who never sit": Slip(
        OPERATION, "", never_sit, "behaviour",
        "at most 300000 events a flight in the cabin", "trips", "raise retry_mean",
    ),
    # --- envelopes and fuel ---
    "inverted envelope": Slip(
        AIRCRAFT, "envelopes.0.aft", [[40_000, 5.0], [73_900, 5.0]], "envelopes[0].aft",
        "forward of the aft limit at every mass", "aft 5 % MAC at", "Correct the points",
    ),
    "envelope from the top": Slip(
        AIRCRAFT, "envelopes.0.aft", [[73_900, 35.0], [40_000, 35.0]], "envelopes[0].aft[1]",
        "a mass of at least 73900 kg", "40000 kg", "from the lowest mass up",
    ),
    "fuel beyond the tanks": Slip(
        OPERATION, "fuel.block", 60_000.0, "fuel.block", "at most what the tanks hold",
        "60000 kg", "Plan less fuel",
    ),
    "fuel that runs out": Slip(
        OPERATION, "fuel.block", 1_000.0, "fuel.block", "at least what the phases burn",
        "1000 kg", "Plan more fuel",
    ),
    "transfer into itself": Slip(
        AIRCRAFT, "fuel_transfers",
        [{**LEFT_TO_ITSELF, "from_tanks": ["centre"], "to_tanks": ["centre"]}],
        "fuel_transfers[0].to_tanks[0]", "a tank that the transfer does not take from",
        '"centre" on both sides', "Take the tank out of one of the lists.",
    ),
    "transfer without an end": Slip(
        AIRCRAFT, "fuel_transfers",
        [{**LEFT_TO_ITSELF, "flow": 1e-300, "from_tanks": ["centre"], "to_tanks": ["left"]}],
        "fuel_transfers[0].flow", "a number from 3.6 to 72000 kg/h", "1e-300",
        "cgrisk fields aircraft.fuel_transfers.flow",
    ),
    "transfer to no tank": Slip(
        AIRCRAFT, "fuel_transfers",
        [{**LEFT_TO_ITSELF, "from_tanks": ["centre"], "to_tanks": ["tail"]}],
        "fuel_transfers[0].to_tanks[0]", "the name of a tank", '"tail"', "Use one of these names",
    ),
    # --- twice, or out of reach ---
    "row twice in a text": Slip(
        AIRCRAFT, "cabin.rows.0.rows", "1-3,2", "cabin.rows[0].rows", "rows such as",
        "a row stands twice", "Correct the rows.",
    ),
    "seat twice": Slip(
        AIRCRAFT, "cabin", plan, "cabin.seat_table[174].letter", "a different name for each seat",
        '"1A" once more', "Rename one of them",
    ),
    "zone twice": Slip(
        OPERATION, "zones.1.name", "A", "zones[1].name", "a different name for each zone",
        '"A" once more', "Rename one of them",
    ),
    "hold twice": Slip(
        AIRCRAFT, "holds", twice("holds"), "holds[2].name", "a different name for each hold",
        "once more", "Rename one of them",
    ),
    "hold loaded twice": Slip(
        OPERATION, "hold_loads", twice("hold_loads"), "hold_loads[2].hold",
        "a different name for each hold load", "once more", "Rename one of them",
    ),
    "tank twice": Slip(
        AIRCRAFT, "tanks", twice("tanks"), "tanks[3].name", "a different name for each tank",
        "once more", "Rename one of them",
    ),
    "lavatory out of reach": Slip(
        AIRCRAFT, "cabin.lavatories.0.arm", 150.0, "cabin.lavatories[0].arm",
        "an arm near the rows", "150 m", "Check the arm, its datum and its unit.",
    ),
    "lavatory of no class": Slip(
        AIRCRAFT, "cabin.lavatories.0.classes", ["imperial"], "cabin.lavatories[0].classes[0]",
        "the name of a class of travel", '"imperial"', "Use one of these names",
    ),
    "class that may go nowhere": Slip(
        AIRCRAFT, "cabin", two_classes, "cabin.lavatories",
        "for every class of travel", 'none for "business"', "Name the class at a lavatory",
    ),
}  # fmt: skip


def told(folder: Path, name: str) -> tuple[Fault, ...]:
    slip = SLIPS[name]
    data = tomllib.loads(shipped_text(slip.file))
    *parents, leaf = slip.path.split(".")
    holder: Any = data
    for key in parents:
        holder = holder[int(key)] if isinstance(holder, list) else holder.setdefault(key, {})
    place = int(leaf) if isinstance(holder, list) else leaf
    if leaf == "":
        slip.value(data)
    else:
        holder[place] = slip.value(holder[place]) if callable(slip.value) else slip.value
    write_scenario(folder, **{slip.file: toml_text(data)})
    with pytest.raises(InputError, match="expected") as caught:
        load_scenario(folder)
    return tuple(caught.value.faults)


@pytest.fixture(scope="module")
def every(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, tuple[Fault, ...]]]:
    """What is told of each slip, and the folder it is in."""
    out = {}
    for number, name in enumerate(SLIPS):
        folder = tmp_path_factory.mktemp("slips") / str(number)
        out[name] = folder, told(folder, name)
    return out


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_told_with_its_place_and_cure(
    name: str, every: dict[str, tuple[Path, tuple[Fault, ...]]]
) -> None:
    slip, (folder, faults) = SLIPS[name], every[name]
    (fault,) = (fault for fault in faults if slip.expected in fault.expected)
    assert Path(fault.file) == folder / f"{slip.file}.toml"
    assert fault.key == slip.key
    assert slip.got in fault.got
    assert slip.cure in fault.cure
    lines = (folder / f"{slip.file}.toml").read_text().split("\n")
    assert fault.line is not None
    assert lines[fault.line - 1].startswith(f"{slip.path.split('.', maxsplit=1)[0] or slip.key} = ")


def test_no_two_slips_are_told_in_the_same_words(
    every: dict[str, tuple[Path, tuple[Fault, ...]]],
) -> None:
    words = [(f.key, f.expected, f.got) for _, faults in every.values() for f in faults[:1]]
    assert len(set(words)) == len(words)


def _ring(*names: str, at_fuel: float = 6_000.0) -> list[dict[str, Any]]:
    pairs = zip(names, (*names[1:], names[0]), strict=True)
    return [
        {"name": f"{a} to {b}", "from_tanks": [a], "to_tanks": [b], "at_fuel": at_fuel, "flow": 0.5}
        for a, b in pairs
    ]


THREE = {
    "aircraft.tanks": [
        {"name": name, "capacity": 4.0, "layers": [[4.0, arm]]}
        for name, arm in (("a", 15.0), ("b", 17.0), ("c", 19.0))
    ],
    "aircraft.refuel_order": [{"tanks": ["a", "b", "c"]}],
    "aircraft.burn_schedule": [{"tanks": ["a", "b", "c"]}],
    "operation.fuel.block": 7_000.0,
}
RINGS = {
    "to and fro at once": (trim_aircraft(), _ring("main", "trim")),
    "fro and to at once": (trim_aircraft(), _ring("trim", "main")),
    "a ring of three": (THREE, _ring("a", "b", "c")),
}


@pytest.mark.parametrize("name", RINGS)
def test_transfers_in_a_ring_come_to_an_end(name: str) -> None:
    """Each takes place once, and ends: no slip. No fuel is lost, whatever goes round."""
    changes, ring = RINGS[name]
    scenario = edited({**changes, "aircraft.fuel_transfers": ring})
    assert list(meaning_problems(scenario)) == []
    there = prepare(scenario).planned
    still = prepare(edited({**changes, "aircraft.fuel_transfers": []})).planned
    assert np.isfinite(there[["time_s", "mass_kg", "moment_kgm"]].to_numpy()).all()
    at = np.linspace(0.0, still["time_s"].iloc[-1], 200)
    masses = [np.interp(at, path["time_s"], path["mass_kg"]) for path in (there, still)]
    np.testing.assert_allclose(masses[0], masses[1], atol=1e-6)


def test_a_cabin_without_any_lavatory_or_galley_is_none() -> None:
    nowhere = {
        "aircraft.cabin.lavatories": [],
        "aircraft.cabin.galleys": [],
        "operation.service.carts": [],
    }
    assert list(meaning_problems(edited(nowhere))) == []
