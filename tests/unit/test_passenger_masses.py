"""How passengers are counted and weighed: by sex, with infants, by the season, on a scale."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from cgrisk.decide.conventional_causes import passenger_mass, person_variances
from cgrisk.decide.load_state import scenario_with, state_of
from cgrisk.errors import InputError
from cgrisk.flight import fly_block, passengers_aboard, prepare, with_entry_error
from cgrisk.flight.paper_masses import adult_standard_kg, men_on_sheet
from cgrisk.flight.populations import surveyed_quantiles
from cgrisk.report.check_text import check_text
from cgrisk.risk.trim import crew_table
from cgrisk.scenario import Scenario, checks_people, load_scenario
from tests.flight_cases import SHIPPED, edited
from tests.scenario_cases import edit, line_of

COMMUTER = SHIPPED.parent / "commuter"
#: Nobody misses the flight or comes late, and nobody changes seats.
STILL = {
    "operation.passengers.last_minute_off": 0.0,
    "operation.passengers.last_minute_on": 0.0,
    "operation.seating.movers_share": 0.0,
}


def commuter(**changes: object) -> Scenario:
    named = {f"operation.{key.replace('__', '.')}": value for key, value in changes.items()}
    return edited(STILL | named, load_scenario(COMMUTER))


#: All men 100 kg and all women 60 kg, so that masses tell who is who; one kind of party adds 6 kg.
TOLD_APART = {
    "mass__body__men": {"mean": 100.0, "sd": 0.0, "skewness": 0.0},
    "mass__body__women": {"mean": 60.0, "sd": 0.0, "skewness": 0.0},
    "mass__bag": {"mean": 0.0, "sd": 0.0, "none_share": 1.0},
}


def masses_of(scenario: Scenario, *, seed: int, flights: int) -> np.ndarray:
    numbers = np.arange(flights, dtype=np.uint32)
    return passengers_aboard(prepare(scenario), seed=seed, flights=numbers)[1]


def zone_lines(scenario: Scenario) -> list[float]:
    return [line.mass_kg for line in prepare(scenario).sheet.lines if line.kind == "zone"]


def test_load_sheet_counts_men_and_women():
    """By hand: 3 x 92 + 2 x 74; 4 x 92 + 3 x 74 + 35; 3 x 92 + 74."""
    assert zone_lines(commuter()) == [424.0, 625.0, 350.0]
    assert adult_standard_kg(commuter().operation) == pytest.approx((10 * 92 + 6 * 74) / 16)
    # without counts, the share of men: 0.62 x 5 = 3.1, 0.62 x 7 = 4.34, 0.62 x 4 = 2.48
    zones = [{**zone, "men": None} for zone in commuter().resolved()["operation"]["zones"]]
    operation = commuter(zones=zones).operation
    assert [men_on_sheet(operation, zone) for zone in operation.zones] == [3, 4, 2]
    # an infant on a lap has a line of its own only where it has a standard mass
    assert zone_lines(commuter(load_sheet__infant_mass=12.0)) == [424.0, 637.0, 350.0]


def test_so_many_men_are_aboard(seed_offset):
    zones = commuter().resolved()["operation"]["zones"]
    childless = [{**zone, "children": 0, "infants": 0} for zone in zones]
    scenario = commuter(zones=childless, **TOLD_APART)
    mass = masses_of(scenario, seed=1 + seed_offset, flights=2_000)
    men, women = mass >= 100.0, (mass > 0.0) & (mass < 80.0)
    for number, zone in enumerate((slice(0, 6), slice(6, 14), slice(14, 19))):
        assert (men[:, zone].sum(axis=1) == (3, 4, 3)[number]).all()
        assert (women[:, zone].sum(axis=1) == (2, 3, 1)[number]).all()
    # each adult of zone A, who travel with others or not, is a man as often as the next
    for person in range(5):
        assert stats.binomtest(int(men[:, person].sum()), 2_000, 0.6).pvalue > 1e-6


def test_without_counts_sex_is_drawn_alone(seed_offset):
    zones = [{**zone, "men": None} for zone in commuter().resolved()["operation"]["zones"]]
    scenario = commuter(load_sheet__basis="all_adult", parties=[], zones=zones, **TOLD_APART)
    mass = masses_of(scenario, seed=2 + seed_offset, flights=2_000)
    men = (mass >= 100.0).sum(axis=1)
    expected = 16 * 0.62 * 0.38
    assert abs(np.mean(men) - 16 * 0.62) < 5.0 * np.sqrt(expected / 2_000)
    assert np.var(men) == pytest.approx(expected, rel=5.0 * np.sqrt(2.0 / 2_000))


def test_infants_weigh_and_move_nothing_else(seed_offset):
    """Exactly one lap of zone B has an infant; everyone else keeps his mass to the last bit."""
    zones = commuter().resolved()["operation"]["zones"]
    none = commuter(zones=[{**zone, "infants": 0} for zone in zones])
    one = masses_of(commuter(), seed=3 + seed_offset, flights=4_000)
    without = masses_of(none, seed=3 + seed_offset, flights=4_000)
    more = one - without
    assert ((more != 0.0).sum(axis=1) == 1).all()
    assert (more[:, 6:14] != 0.0).any(axis=1).all()
    infant = more.sum(axis=1)
    assert abs(infant.mean() - 10.0) < 5.0 * 2.5 / np.sqrt(4_000)
    assert stats.kstest(infant, stats.norm(10.0, 2.5).cdf).pvalue > 1e-6
    # the adults of the zone carry it equally often
    lap = (more[:, 6:14] != 0.0).argmax(axis=1)
    assert stats.chisquare(np.bincount(lap, minlength=8)[:7]).pvalue > 1e-6 or lap.max() == 7


def test_winter_and_summer_by_hand():
    """Half of 2.3 kg of clothes each way; half of 1 kg on the mean bag of those who have one."""
    alike = {"mass__bag": {"mean": 8.0, "sd": 0.0, "none_share": 0.0}}
    year, summer, winter = (
        masses_of(commuter(mass__season=season, **alike), seed=4, flights=50)
        for season in ("all_year", "summer", "winter")
    )
    child = masses_of(commuter(**alike), seed=4, flights=1)[0] == 0.0
    assert child.sum() == 2  # empty seats
    more = winter - year
    adults = np.isclose(more, 1.15 + 0.5)
    children = np.isclose(more, 0.0)
    assert (adults.sum(axis=1) == 16).all()
    assert (children.sum(axis=1) == 1 + 2).all()
    np.testing.assert_allclose(year - summer, more, atol=1e-9)


def test_weighed_people_weigh_what_the_scale_said(seed_offset):
    exact = commuter(load_sheet__basis="weighed", load_sheet__scale_error=0.0)
    zones = [{**zone, "men": None} for zone in exact.resolved()["operation"]["zones"]]
    zones[0]["weighed"] = 512.0
    exact = edited({"operation.zones": zones}, exact)
    model = prepare(exact)
    assert zone_lines(exact)[0] == 512.0
    mass = masses_of(exact, seed=5, flights=200)
    for number, part in enumerate((slice(0, 6), slice(6, 14), slice(14, 19))):
        np.testing.assert_allclose(
            mass[:, part].sum(axis=1), model.program.cabin.zone_standard_kg[number], rtol=1e-12
        )
    # the scale is off by the same share everywhere on a flight
    off = masses_of(edited({"operation.load_sheet.scale_error": 0.02}, exact), seed=5 + seed_offset,
                    flights=4_000)  # fmt: skip
    share = off.sum(axis=1) / model.program.cabin.zone_standard_kg.sum() - 1.0
    assert stats.kstest(share / 0.02, stats.norm().cdf).pvalue > 1e-6
    first = off[:, :6].sum(axis=1) / 512.0 - 1.0
    np.testing.assert_allclose(first, share, atol=1e-12)
    # and the split by cause still adds up: the sheet's people are the real ones
    rows = fly_block(model, seed=6, flights=np.arange(50, dtype=np.uint32))
    error = rows[:, model.columns.index("zero_fuel_mass_kg")] - model.sheet.zero_fuel_mass_kg
    zones = [{**zone, "weighed": None} for zone in zones]
    plain_sheet = {"operation.load_sheet.basis": "all_adult", "operation.zones": zones}
    still = prepare(edited(plain_sheet, exact))
    rows = fly_block(still, seed=6, flights=np.arange(50, dtype=np.uint32))
    plain = rows[:, still.columns.index("zero_fuel_mass_kg")] - still.sheet.zero_fuel_mass_kg
    assert error.std() < 0.6 * plain.std()


def test_survey_is_followed(seed_offset):
    """Bodies drawn are those surveyed, by Kolmogorov-Smirnov; bias comes on top."""
    rng = np.random.default_rng(7 + seed_offset)
    men = np.round(np.concatenate([rng.normal(70, 4, 300), rng.normal(105, 6, 200)]), 1)
    women = np.round(rng.normal(66, 9, 400), 1)
    table = [("male", float(x)) for x in men] + [("female", float(x)) for x in women]
    full = (("A", "1-3", 6), ("B", "4-7", 8), ("C", "8-10", 5))
    scenario = commuter(
        mass__survey_table=table,
        mass__bag={"mean": 0.0, "sd": 0.0, "none_share": 1.0},
        mass__body__bias=2.0,
        parties=[],
        load_sheet__basis="all_adult",
        zones=[{"name": name, "rows": rows, "adults": adults} for name, rows, adults in full],
    )
    for share, weighed in ((1.0, men), (0.0, women)):
        one_sex = edited({"operation.passengers.male_share": share}, scenario)
        found = masses_of(one_sex, seed=8 + seed_offset, flights=500).ravel() - 2.0
        quantiles = surveyed_quantiles(weighed, nodes=241, end=6.0)
        nodes = np.linspace(-6.0, 6.0, 241)
        law = stats.norm.cdf(np.interp(found, quantiles, nodes))
        assert stats.kstest(law, stats.uniform.cdf).pvalue > 1e-6
        # interpolation between the nodes smooths by less than this
        assert stats.ks_2samp(found, weighed).statistic < 0.03 + 1.63 / np.sqrt(found.size)
        assert found.mean() == pytest.approx(
            weighed.mean(), abs=5.0 * weighed.std() / np.sqrt(found.size) + 0.1
        )
    assert "Survey, male: 500 weighed" in check_text(scenario)


def test_survey_quantiles_go_on_beyond_the_sample():
    rng = np.random.default_rng(9)
    weighed = np.sort(rng.normal(80.0, 12.0, 1_000))
    z = np.linspace(-6.0, 6.0, 241)
    table = surveyed_quantiles(weighed, nodes=241, end=6.0)
    assert (np.diff(table) >= 0.0).all()
    inside = np.abs(z) < 3.0
    assert weighed[0] <= table[inside].min()
    assert table[inside].max() <= weighed[-1]
    assert table[-1] > weighed[-1] + 12.0
    assert table[0] < weighed[0] - 12.0
    same = surveyed_quantiles(np.full(30, 75.0), nodes=241, end=6.0)
    np.testing.assert_array_equal(same, 75.0)


def test_changed_loads_keep_the_share_of_men():
    scenario = commuter()
    state = state_of(scenario)
    assert scenario_with(scenario, state).operation.zones == scenario.operation.zones
    fewer = scenario_with(
        scenario,
        type(state)((2, 7, 4), state.children, state.bags, state.cargo_kg, state.fuel_kg),
    )
    assert [zone.men for zone in fewer.operation.zones] == [1, 4, 3]
    # three of five men: 1.2 of two
    assert zone_lines(fewer) == [92.0 + 74.0, 625.0, 350.0]


def written(folder: Path, *, survey: str | None = None, **edits: tuple[str, str]) -> Path:
    folder.mkdir()
    for name in ("aircraft.toml", "operation.toml"):
        text = (COMMUTER / name).read_text()
        if name == "operation.toml":
            for pattern, replacement in edits.values():
                text, _ = edit(text, pattern, replacement)
        (folder / name).write_text(text)
    if survey is not None:
        (folder / "survey.csv").write_text(survey)
    return folder


SEASON = r'^season = "all_year"$'
PEOPLE = "".join(f"male,{70 + i}\nfemale,{55 + i}\n" for i in range(30))


def test_survey_is_read_from_a_file(tmp_path):
    text = f"# invented\nsex,mass\n{PEOPLE}"
    folder = written(tmp_path / "case", survey=text, a=(SEASON, 'survey = "survey.csv"'))
    mass = load_scenario(folder).operation.mass
    assert mass.survey_table[:2] == (("male", 70.0), ("female", 55.0))
    assert Scenario.from_resolved(load_scenario(folder).resolved()).operation.mass == mass


@pytest.mark.parametrize(
    ("survey", "name", "line", "says"),
    [
        ("sex,mass\nmale,eighty\n" + PEOPLE, "survey.csv", 2, "a number"),
        ("sex,mass\nman,80\n" + PEOPLE, "survey.csv", 2, '"male", "female" or "child"'),
        ("sex,mass\nmale,0\n" + PEOPLE, "survey.csv", 2, "from 1 to 300 kg"),
        ("sex,mass\nmale,80,x\n" + PEOPLE, "survey.csv", 2, "2 cells"),
        ("sex,kg\nmale,80\n", "survey.csv", 1, "the columns sex, mass"),
        ("sex,mass\n" + PEOPLE + "child,20\n", "operation.toml", None, "at least 20"),
        (None, "operation.toml", None, "file in the scenario's own folder"),
    ],
)
def test_faults_of_a_survey(tmp_path, survey, name, line, says):
    folder = written(tmp_path / "case", survey=survey, a=(SEASON, 'survey = "survey.csv"'))
    with pytest.raises(InputError, match="expected") as caught:
        load_scenario(folder)
    fault = caught.value.faults[0]
    assert fault.file.endswith(name)
    assert says in fault.expected
    if line is not None:
        assert fault.line == line


@pytest.mark.parametrize("outside", ["../survey.csv", "/etc/passwd", "sub/survey.csv"])
def test_survey_stays_in_the_folder(tmp_path, outside):
    (tmp_path / "survey.csv").write_text("sex,mass\n" + PEOPLE)
    folder = written(tmp_path / "case", a=(SEASON, f'survey = "{outside}"'))
    with pytest.raises(InputError, match="plain name of a file in the scenario's own folder"):
        load_scenario(folder)


@pytest.mark.parametrize(
    ("pattern", "replacement", "says", "at"),
    [
        (r"^men = 3$", "men = 6", "at most 5 men", r"^men = 6$"),
        (r"^infants = 1 .*$", "infants = 8", "at most 7 infants", r"^infants = 8$"),
        (r'^basis = "by_sex"$', 'basis = "all_adult"', "no men", r"^men = 3$"),
        (r"^men = 3$", "men = 3\nweighed = 400", "no weighed", r"^weighed = 400$"),
    ],
)
def test_faults_of_counts(tmp_path, pattern, replacement, says, at):
    folder = written(tmp_path / "case", a=(pattern, replacement))
    with pytest.raises(InputError, match="expected") as caught:
        load_scenario(folder)
    assert all(says in fault.expected for fault in caught.value.faults)
    text = (folder / "operation.toml").read_text()
    assert caught.value.faults[0].line == line_of(text, at)


def test_one_counted_elsewhere_takes_his_sex_along():
    """The man counted in zone A who sits in C: 3, 4, 3 men become 2, 4, 4; nobody gets lighter."""
    model = prepare(commuter())
    error = next(e for e in model.scenario.operation.entry_errors if e.kind == "zone_count")
    truth = with_entry_error(model, error)
    assert [zone.men for zone in truth.scenario.operation.zones] == [2, 4, 4]
    assert [zone.adults for zone in truth.scenario.operation.zones] == [4, 7, 5]
    # the planned load is the sheet's, what flies is the other
    assert truth.sheet == model.sheet
    numbers = np.arange(500, dtype=np.uint32)
    rows = {
        name: fly_block(m, seed=5, flights=numbers)
        for name, m in (("sheet", model), ("truth", truth))
    }
    at = model.columns.index("take_off_cg_pct_mac")
    shift = (rows["truth"][:, at] - rows["sheet"][:, at]).mean()
    mass = rows["sheet"][:, model.columns.index("take_off_mass_kg")].mean()
    men = model.scenario.operation.mass.body.men.mean + 7.7
    by_hand = 100.0 * men * (10.228 - 5.06) / mass / 1.80
    assert shift == pytest.approx(by_hand, abs=0.35)


def test_nobody_walks_who_is_not_counted():
    table = crew_table(prepare(commuter()), people=10)
    assert table.groupby("from_zone")["people"].unique().map(list).to_dict() == {
        "A": [5],
        "B": [8],
        "C": [4],
    }


def test_spread_of_one_adult_when_sexes_are_counted():
    """By hand: without counts also the difference of the means, 0.62 x 0.38 x 14.7^2 kg2."""
    counted, _ = person_variances(prepare(commuter()))
    drawn, _ = person_variances(prepare(commuter(load_sheet__basis="all_adult")))
    assert drawn - counted == pytest.approx(0.62 * 0.38 * (82.2 - 67.5) ** 2)


def test_conventional_spread_of_people_who_are_weighed():
    """By hand, full cabin: distances from each zone's own middle, and the scale's share of all."""
    seats = (("A", "1-3", 6), ("B", "4-7", 8), ("C", "8-10", 5))
    full = [{"name": name, "rows": rows, "adults": adults} for name, rows, adults in seats]
    model = prepare(commuter(zones=full, load_sheet__basis="weighed", load_sheet__scale_error=0.01))
    s2, _ = person_variances(model)
    arms = np.array([4.30 + 0.76 * row for row in range(10) for _ in range(2)][:19])
    parts = np.split(arms, [6, 14])
    squares = sum(((part - part.mean()) ** 2).sum() for part in parts)
    scale = 0.01 * adult_standard_kg(model.scenario.operation) * (arms - 7.0).sum()
    found = passenger_mass(model, about_m=7.0, sign=1.0).moment_kgm
    assert found == pytest.approx(2.0 * np.hypot(np.sqrt(s2 * squares), scale), rel=1e-12)
    plain = prepare(commuter(zones=full, load_sheet__basis="all_adult"))
    found = passenger_mass(plain, about_m=7.0, sign=1.0).moment_kgm
    assert found == pytest.approx(2.0 * np.sqrt(s2 * ((arms - 7.0) ** 2).sum()), rel=1e-12)


@pytest.mark.parametrize(("weighed", "fits"), [(149.0, False), (150.0, True), (1_251.0, False)])
def test_one_persons_mass_is_not_that_of_a_zone(weighed, fits):
    """Five adults weigh 150 to 1,250 kg together; less is one of them, more another unit."""
    zones = commuter().resolved()["operation"]["zones"]
    zones[0] |= {"adults": 5, "children": 0, "infants": 0, "men": None, "weighed": weighed}
    zones[1:] = [
        {**z, "men": None, "weighed": 80.0 * (z["adults"] + z["children"])} for z in zones[1:]
    ]
    changes = {"operation.zones": zones, "operation.load_sheet.basis": "weighed"}
    operation = edited(changes, commuter()).operation
    (check,) = (c for c in checks_people.PEOPLE_CHECKS if c.needs == ("zones", "load_sheet"))
    problems = list(check.run(operation.zones, operation.load_sheet, "kg/m"))
    assert [p.path for p in problems] == ([] if fits else [("zones", 0, "weighed")])
    if not fits:
        assert "what 5 people weigh together, 150 kg to 1250 kg" in problems[0].expected
