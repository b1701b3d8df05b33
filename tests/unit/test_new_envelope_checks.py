"""A new envelope that crosses, or does not cover the loads, is told as such."""

from __future__ import annotations

from pathlib import Path

from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.decide.past_loads import LoadScores, score_loads
from cgrisk.report.loads_text import loads_text
from cgrisk.scenario.loads_file import read_loads
from tests.flight_cases import SHIPPED, edited, shipped_scenario


def scored(tmp_path: Path, *rows: str, **changes: object) -> LoadScores:
    scenario = edited(changes) if changes else shipped_scenario()
    file = tmp_path / "envelope.csv"
    file.write_text("\n".join(["mass_kind,mass,forward,aft", *rows]) + "\n")
    loads = read_loads(SHIPPED / "loads.csv", scenario=scenario)
    return score_loads(scenario, loads=loads, envelope=OperatorEnvelope.from_file(file))


def test_a_crossed_envelope_admits_nothing_where_it_crosses(tmp_path: Path) -> None:
    found = scored(
        tmp_path, "zero_fuel,40000,15,30", "zero_fuel,50000,24,22", "zero_fuel,62000,24,22"
    )
    envelope = found.envelope
    assert envelope is not None
    assert not envelope.admits("zero_fuel", mass_kg=[50_000.0, 60_000.0], cg_pct=[23.0, 24.0]).any()
    assert envelope.admits("zero_fuel", mass_kg=41_000.0, cg_pct=22.0)
    text = loads_text(found, None)
    # The sides are 15 % apart at 40 t and -2 % at 50 t: they meet at 48,824 kg.
    assert "leaves no room at zero-fuel masses between 48,824 kg and 62,000 kg" in text
    heavy = [load for load in found.loads if load.points["zero_fuel"][0] > 50_000.0]
    assert all(load.verdict("new").refused for load in heavy)


def test_sides_that_cross_within_the_file_are_told_by_hand(tmp_path: Path) -> None:
    rows = [(40, 15, 30), (50, 35, 30), (60, 15, 30), (61, 31, 30), (62, 15, 30)]
    text = loads_text(
        scored(tmp_path, *(f"zero_fuel,{m}000,{low},{high}" for m, low, high in rows)), None
    )
    spans = "between 47,500 kg and 52,500 kg; between 60,938 kg and 61,062 kg"
    assert f"leaves no room at zero-fuel masses {spans}" in text


def test_loads_beyond_the_masses_of_the_file_are_told(tmp_path: Path) -> None:
    text = loads_text(scored(tmp_path, "zero_fuel,60000,15,30", "zero_fuel,61000,15,30"), None)
    assert "Beyond the masses of the new envelope's file (60,000 kg to 61,000 kg zero-fuel)" in text


def test_a_load_that_is_too_heavy_is_not_told_as_cured(tmp_path: Path) -> None:
    narrow = ("zero_fuel,40000,21,22", "zero_fuel,62000,21,22")
    found = scored(tmp_path, *narrow, **{"aircraft.masses.max_zero_fuel": 52_000.0})
    heavy = [x for x in found.loads if x.over_mass and x.verdict("new").refused]
    assert heavy
    assert f"{len(heavy)} are above a maximum mass, which no move cures" in loads_text(found, None)
