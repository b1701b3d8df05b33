"""Ranges of what has no source: their ends, scenarios at them, and what users state."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import InputError, UsageError
from cgrisk.flight import fly_block, prepare
from cgrisk.sampling import layout_of
from cgrisk.scenario import Scenario, load_scenario
from cgrisk.scenario.range_rules import LOG, NORMAL, NOT_IN_DOUBT, ODDS, UNIFORM
from cgrisk.scenario.ranges import Range, assumption_ranges, with_values
from cgrisk.scenario.registry import assumption_register, is_unused
from tests.flight_cases import edited, shipped_scenario
from tests.scenario_cases import edit, line_of, shipped_text, write_scenario

SHIPPED = assumption_ranges(shipped_scenario())
BY_KEY = {r.key: r for r in SHIPPED}
FLIGHTS = 200
#: A switch or 0 elsewhere keeps these from moving a flight of the shipped case.
STILL = {
    "aircraft.stabilizer.rate_flaps_up",  # the trim keeps up even at half the rate
    "aircraft.ground_run.tail_lift_least",  # the tail is far from its limits
    "aircraft.ground_run.tail_lift_greatest",
    "operation.crowd.surge_people",  # no surge in the shipped case
    "operation.crowd.surge_minutes",
    "operation.mass.body.infants.mean",  # no infants in the shipped case
    "operation.mass.body.infants.sd",
}
#: Limits that flights are held against.
AGAINST = {
    "aircraft.ground_run.rotation_needed",
    "aircraft.stabilizer.elevator_down",
    "aircraft.stabilizer.elevator_share",
}
#: Too rare, at its upper end, to be sure to show in so few flights; looked at below.
RARE = {"operation.crowd.surge_probability"}
#: Numbers without a source that stay as they are: a 0 that is meant.
MEANT = {"operation.entry_errors[].probability"}


def plain(key: str) -> str:
    return re.sub(r"\[\d*\]", "", key)


def grouped(key: str) -> str:
    return re.sub(r"\[\d+\]", "[]", key)


def rows_of(scenario: Scenario, flights: int = FLIGHTS) -> np.ndarray:
    return fly_block(prepare(scenario), seed=11, flights=np.arange(flights, dtype=np.uint32))


def limits_of(scenario: Scenario) -> str:
    return repr(layout_of(prepare(scenario)).limits)


# --- what is listed ---


def test_every_number_without_a_source_has_a_range_that_holds_it() -> None:
    wanted = {
        grouped(entry.key)
        for entry in assumption_register(shipped_scenario())
        if entry.assumed
        and isinstance(entry.value, int | float)
        and not isinstance(entry.value, bool)
        and not is_unused(entry.key)
        and not plain(entry.key).startswith(NOT_IN_DOUBT)
    }
    assert set(BY_KEY) == wanted - MEANT
    assert len(SHIPPED) == len(BY_KEY) > 70
    values = {entry.key: entry.value for entry in assumption_register(shipped_scenario())}
    for r in SHIPPED:
        assert r.low <= r.value <= r.high, r.key
        assert r.low < r.high, r.key
        assert r.why, r.key
        assert not r.given
        assert r.value in [v for key, v in values.items() if grouped(key) == r.key], r.key


def test_choices_and_the_load_sheet_have_none() -> None:
    stated = edited({"operation.load_sheet.adult_mass": 80.0, "aircraft.reference_density": 790.0})
    keys = {r.key for r in assumption_ranges(stated)}
    for key in ("operation.fleet", "operation.seating.rule", "operation.load_sheet.adult_mass"):
        assert key not in keys
    assert "aircraft.reference_density" not in keys
    assert "operation.mass.body.bias_sd_operation" not in keys


@pytest.mark.parametrize(
    ("key", "low", "high", "law"),
    [
        ("operation.behaviour.retry_mean", 3.0, 12.0, LOG),
        ("operation.behaviour.sign_factor", 1 / 19, 2 / 11, ODDS),  # odds 1/9: 1/18 and 2/9
        ("operation.behaviour.queue_limit", 5, 20, LOG),
        ("operation.behaviour.lavatory_closed", 0.0, 0.02, UNIFORM),
        ("operation.crowd.surge_probability", 0.0, 1e-3, UNIFORM),
        ("operation.mass.body.bias", -3.0, 3.0, NORMAL),  # 2 of bias_sd_operation 1.5 kg
        ("operation.fuel.density_mean", 775.0, 840.0, UNIFORM),
        ("operation.seating.forward_preference", -0.7, 0.7, UNIFORM),
        ("aircraft.dry_uncertainty.mass_bias", -162.0, 162.0, UNIFORM),  # 0.25 % of 64,800 kg
        ("aircraft.ground_run.tail_lift_least", -1.15 * 1.15, -1.0, LOG),
        ("operation.parties[].mass_shift", 4.0, 16.0, LOG),
        ("operation.parties[].same_sex", 1 / 3, 2 / 3, ODDS),  # the 1 of the team stays
    ],
)
def test_ends_by_hand(key: str, low: float, high: float, law: str) -> None:
    r = BY_KEY[key]
    assert (r.low, r.high, r.law) == (pytest.approx(low), pytest.approx(high), law)


def test_values_of_zero_run_up_to_the_default_and_shares_of_one_stay() -> None:
    stated = edited(
        {
            "operation.behaviour.companion_share": 0.0,
            "operation.behaviour.lavatory_share": 1.0,
            "operation.cargo.misplaced_bags": 0.0,
            "operation.crowd.surge_probability": 0.2,
            "aircraft.dry_uncertainty": {},
            "operation.mass.body.bias": 2.0,
        }
    )
    found = {r.key: (r.low, r.high) for r in assumption_ranges(stated)}
    assert found["operation.behaviour.companion_share"] == (0.0, 0.1)
    assert "operation.behaviour.lavatory_share" not in found
    assert found["operation.cargo.misplaced_bags"] == (0.0, 1.0)
    assert found["operation.crowd.surge_probability"] == pytest.approx((1 / 9, 1 / 3))
    assert found["aircraft.dry_uncertainty.mass_sd_flight"] == pytest.approx((0.0, 162.0))
    assert found["operation.mass.body.bias"] == (-1.0, 5.0)


def test_a_source_takes_a_range_away(tmp_path: Path) -> None:
    operation = shipped_text("operation") + '\n[sources]\n"cargo" = "weighed bags"\n'
    operation += '"fuel.block" = "assumption"\n'
    keys = {
        r.key
        for r in assumption_ranges(load_scenario(write_scenario(tmp_path, operation=operation)))
    }
    # A value that is the default has the default's source, which is none.
    assert not {"operation.cargo.bag_mean", "operation.cargo.misplaced_bags"} & keys
    assert "operation.cargo.bag_sd" in keys
    # What only the operator's papers can say has no rule, whatever its source is called.
    assert "operation.fuel.block" not in keys


# --- quantiles ---


@pytest.mark.parametrize("r", SHIPPED, ids=lambda r: r.key)
def test_quantiles_rise_from_end_to_end(r: Range) -> None:
    u = np.linspace(0.0005, 0.9995, 400)
    x = np.array([r.at(float(each)) for each in u])
    assert (np.diff(x) > 0.0).all()
    if r.law == NORMAL:
        assert [r.at(float(stats.norm.cdf(z))) for z in (-2.0, 0.0, 2.0)] == pytest.approx(
            [r.low, 0.5 * (r.low + r.high), r.high]
        )
        return
    assert r.low <= x[0]
    assert x[-1] <= r.high
    scale = {LOG: lambda v: np.log(v / r.value), UNIFORM: lambda v: v, ODDS: stats.logistic.ppf}
    y = scale[r.law](np.array([r.low, *x, r.high]))
    np.testing.assert_allclose(y[1:-1], y[0] + u * (y[-1] - y[0]), atol=1e-9)


@pytest.mark.parametrize("u", [0.0, 1.0, -1.0, math.nan])
def test_quantiles_of_no_chance_are_refused(u: float) -> None:
    with pytest.raises(UsageError, match="u: expected a number between 0 and 1"):
        SHIPPED[0].at(u)


# --- scenarios ---


def test_the_values_in_use_give_the_same_scenario() -> None:
    scenario = shipped_scenario()
    same = with_values(scenario, {r.key: r.value for r in SHIPPED})
    assert same.resolved() == scenario.resolved()
    assert with_values(scenario, {}).digest() == scenario.digest()


def test_every_end_is_the_value_there() -> None:
    scenario = shipped_scenario()
    for r in SHIPPED:
        for end in (r.low, r.high):
            there = with_values(scenario, {r.key: end})
            found = [x.value for x in assumption_register(there) if grouped(x.key) == r.key]
            assert end in found, r.key


@pytest.mark.parametrize(
    "some", [SHIPPED[::5], pytest.param(SHIPPED, marks=pytest.mark.nightly)], ids=["some", "all"]
)
def test_every_end_flies_and_moves_the_flights(some: tuple[Range, ...]) -> None:
    scenario = shipped_scenario()
    before = rows_of(scenario)
    still = set()
    for r in some:
        ends = [with_values(scenario, {r.key: end}) for end in (r.low, r.high)]
        flown = [rows_of(end) for end in ends]
        for rows in flown:
            assert (np.isnan(rows) == np.isnan(before)).all(), r.key
        if all(rows.tobytes() == before.tobytes() for rows in flown):
            still.add(r.key)
            # What flights are held against may move all the same.
            assert (limits_of(ends[0]) != limits_of(scenario)) == (r.key in AGAINST), r.key
    assert still - RARE == (STILL | AGAINST) & {r.key for r in some}


def test_a_surge_nobody_stated_moves_flights() -> None:
    """What is rare at its upper end shows in more flights; a surge's size and length with it."""
    r = BY_KEY["operation.crowd.surge_probability"]
    high = with_values(shipped_scenario(), {r.key: r.high})
    model = prepare(high)
    rows = fly_block(model, seed=11, flights=np.arange(20_000, dtype=np.uint32))
    surges = int(rows[:, model.columns.index("surge")].sum())
    assert stats.binomtest(surges, 20_000, 1e-3).pvalue > 1e-6
    base = edited({"operation.crowd.surge_probability": 0.5})
    for key in ("operation.crowd.surge_people", "operation.crowd.surge_minutes"):
        there = with_values(base, {key: BY_KEY[key].high})
        assert rows_of(there, 50).tobytes() != rows_of(base, 50).tobytes()


def test_entries_of_a_list_move_together_by_hand() -> None:
    scenario = shipped_scenario()
    # Odds of the couples 0.36/0.64 = 0.5625 to 1: 16/9 times, for all kinds.
    there = with_values(scenario, {"operation.parties[].share": 0.5})
    for before, after in zip(scenario.operation.parties, there.operation.parties, strict=True):
        odds = before.share / (1.0 - before.share) * 16.0 / 9.0
        assert after.share == pytest.approx(odds / (1.0 + odds))
    there = with_values(scenario, {"operation.service.carts[].seconds_per_passenger": 18.0})
    seconds = [cart.seconds_per_passenger for cart in there.operation.service.carts]
    assert seconds == [18.0, 18.0, 9.0, 9.0]
    there = with_values(scenario, {"operation.service.carts[].tray": 0.9})
    assert [cart.tray for cart in there.operation.service.carts] == [0.9, 0.9, 0.0, 0.0]
    # The first two have their default mass, common practice; only the others are moved.
    there = with_values(scenario, {"operation.service.carts[].mass_full": 60.0})
    assert [cart.mass_full for cart in there.operation.service.carts] == [100.0, 100.0, 60.0, 60.0]


def test_shares_stay_feasible() -> None:
    scenario = shipped_scenario()
    there = with_values(scenario, {"operation.parties[].share": 0.9})
    shares = [kind.share for kind in there.operation.parties]
    assert sum(shares) == pytest.approx(1.0)
    assert np.argsort(shares).tolist() == np.argsort([0.1, 0.36, 0.12, 0.03]).tolist()
    rows_of(there, 8)
    errors = edited(
        {f"operation.entry_errors.{i}.probability": p for i, p in enumerate((0.4, 0.3, 0.2))}
    )
    there = with_values(errors, {"operation.entry_errors[].probability": 0.6})
    assert sum(e.probability for e in there.operation.entry_errors) == pytest.approx(1.0)


def test_trays_stay_within_what_a_cart_carries() -> None:
    """Rows 1 to 14 of six seats: 84 trays on a cart of 100 kg."""
    there = with_values(shipped_scenario(), {"operation.service.carts[].tray": 2.0})
    assert there.operation.service.carts[0].tray == pytest.approx(100.0 / 84.0)
    assert there.operation.service.carts[1].tray == pytest.approx(100.0 / 90.0)


def test_values_are_kept_within_what_keys_accept() -> None:
    scenario = shipped_scenario()
    out = with_values(
        scenario,
        {
            "operation.behaviour.sign_factor": 3.0,
            "operation.behaviour.queue_limit": 7.4,
            "operation.crowd.surge_people": -4.0,
            "operation.speed_change": 0.0,
            "operation.mass.body.bias": -500.0,
        },
    ).operation
    assert out.behaviour.sign_factor == 1.0
    assert out.behaviour.queue_limit == 7
    assert out.crowd.surge_people == 0
    assert out.speed_change == 0.01
    assert out.mass.body.bias == -100.0


def test_all_at_once_give_sound_scenarios() -> None:
    """As an outer loop draws them: every value at a quantile of its own."""
    rng = np.random.default_rng(8)
    scenario = shipped_scenario()
    for _ in range(25):
        u = rng.uniform(size=len(SHIPPED))
        values = {r.key: r.at(float(x)) for r, x in zip(SHIPPED, u, strict=True)}
        there = with_values(scenario, values)
        assert there.operation.behaviour.sign_factor == values["operation.behaviour.sign_factor"]
        assert np.isfinite(rows_of(there, 8)[:, 2:30]).all()


def test_what_does_not_fit_together_is_refused(tmp_path: Path) -> None:
    """Twice as many people as seats, between ends that the user states."""
    scenario = loaded(tmp_path, '"zones[].adults" = [20, 120]\n"service.carts[0].tray" = [0.1, 3]')
    assert "operation.zones[].adults" in {r.key for r in assumption_ranges(scenario)}
    with_values(scenario, {"operation.zones[].adults": 30})
    with pytest.raises(UsageError, match=r"zones\[0\].adults: expected at most 54 people"):
        with_values(scenario, {"operation.zones[].adults": 120})
    there = with_values(scenario, {"operation.service.carts[0].tray": 3})
    assert there.operation.service.carts[0].tray == pytest.approx(100.0 / 84.0)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"operation.fleet": 3.0}, "expected keys of the ranges of this scenario; got"),
        ({"operation.behaviour.signs": 3.0}, "expected keys of the ranges"),
        ({"operation.behaviour.sign_factor": math.nan}, "expected a finite number"),
        ({"operation.behaviour.sign_factor": True}, "expected a finite number"),
        ({"operation.behaviour.sign_factor": "0.1"}, "expected a finite number"),
    ],
)
def test_values_of_nothing_are_refused(values: dict, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        with_values(shipped_scenario(), values)


# --- ranges that users state ---


def loaded(folder: Path, ranges: str, **texts: str) -> Scenario:
    operation = texts.pop("operation", shipped_text("operation"))
    return load_scenario(
        write_scenario(folder, operation=f"{operation}\n[ranges]\n{ranges}\n", **texts)
    )


def test_stated_ranges_come_first(tmp_path: Path) -> None:
    scenario = loaded(
        tmp_path,
        '"behaviour.sign_factor" = [0, 0.3]\n"behaviour.retry_mean" = [4, 9]\n'
        '"fuel.density_mean" = [0.79, 0.81]\n"parties[1].share" = [0.3, 0.4]\n'
        '"service.carts.returned" = [0.5, 0.7]\n"mass.body.bias" = [-1, 2]\n'
        '"behaviour.walking_speed" = [0.7, 1]',
    )
    found = {r.key: r for r in assumption_ranges(scenario)}
    ends = {key: (r.low, r.high, r.law) for key, r in found.items() if r.given}
    assert ends == {
        "operation.behaviour.sign_factor": (0.0, 0.3, UNIFORM),
        "operation.behaviour.retry_mean": (4.0, 9.0, LOG),
        "operation.fuel.density_mean": (pytest.approx(790.0), pytest.approx(810.0), LOG),
        "operation.parties[1].share": (0.3, 0.4, ODDS),
        "operation.service.carts[].returned": (0.5, 0.7, ODDS),
        "operation.mass.body.bias": (-1.0, 2.0, UNIFORM),
        "operation.behaviour.walking_speed": (0.7, 1.0, LOG),  # though it has a source
    }
    # The other kinds are moved together, without the one that has a range of its own.
    assert found["operation.parties[].share"].value == 0.12
    there = with_values(scenario, {"operation.parties[].share": 0.2})
    assert there.operation.parties[1].share == 0.36
    assert there.operation.parties[2].share == 0.2
    # They go through a manifest.
    again = Scenario.from_resolved(scenario.resolved())
    assert again == Scenario(again.aircraft, scenario.operation)
    assert again.digest() == scenario.digest()
    assert scenario.digest() != shipped_scenario().digest()


def test_a_list_may_have_a_range_beside_one_of_an_entry(tmp_path: Path) -> None:
    both = '"parties[1].share" = [0.3, 0.4]\n"parties[].share" = [0.1, 0.15]'
    found = {r.key: r for r in assumption_ranges(loaded(tmp_path, both)) if r.given}
    assert found["operation.parties[1].share"].value == 0.36
    assert found["operation.parties[].share"].value == 0.12


def test_stated_ranges_are_in_the_units_of_the_key(tmp_path: Path) -> None:
    """The shipped files declared to be in lb/in would be another aircraft: one key of each unit."""
    import tomllib

    from tests.scenario_cases import imperial_file, toml_text

    texts = {
        name: toml_text(imperial_file(name, tomllib.loads(shipped_text(name))))
        for name in ("aircraft", "operation")
    }
    texts["operation"] += (
        '[ranges]\n"behaviour.queue_spacing" = [12, 24]\n"cargo.bag_sd" = [6, 20]\n'
        '"behaviour.recall_minutes" = [2, 5]\n"fuel.density_mean" = [6.6, 6.8]\n'
    )
    texts["aircraft"] += '[ranges]\n"dry_uncertainty.mass_bias" = [-100, 300]\n'
    found = {
        r.key: (r.low, r.high)
        for r in assumption_ranges(load_scenario(write_scenario(tmp_path, **texts)))
        if r.given
    }
    pound, gallon = 0.45359237, 3.785411784e-3
    assert found == {
        "aircraft.dry_uncertainty.mass_bias": pytest.approx((-100 * pound, 300 * pound)),
        "operation.behaviour.queue_spacing": pytest.approx((0.3048, 0.6096)),
        "operation.cargo.bag_sd": pytest.approx((6 * pound, 20 * pound)),
        "operation.behaviour.recall_minutes": (2.0, 5.0),
        "operation.fuel.density_mean": pytest.approx((6.6 * pound / gallon, 6.8 * pound / gallon)),
    }


@pytest.mark.parametrize(
    ("line", "key", "words"),
    [
        ('"behaviour.sign_facto" = [0, 1]', "", ("the dotted key of a number of this file",)),
        ('"behaviour.lavatory_law" = [0, 1]', "", ("the dotted key of a number", "parties[]")),
        ('"schema" = [1, 2]', "", ("the dotted key of a number of this file",)),
        ('"mass.body.bias_sd_operation" = [1, 2]', "", ("that the model uses",)),
        ('"behaviour.sign_factor" = [0.3, 0.05]', "", ("the lower end first", "0.3 to 0.05")),
        ('"behaviour.sign_factor" = [0.1, 0.1]', "", ("the lower end first",)),
        ('"behaviour.sign_factor" = [0.2, 0.3]', "", ("holds the value in use, 0.1",)),
        ('"behaviour.sign_factor" = [0.05, 1.5]', "[1]", ("a number from 0 to 1", "got 1.5")),
        ('"behaviour.sign_factor" = [0.05, "x"]', "[1]", ("a finite number", 'got "x"')),
        ('"behaviour.sign_factor" = [0.05, nan]', "[1]", ("a finite number", "got nan")),
        ('"behaviour.sign_factor" = 0.2', "", ("a list of 2 entries", "got 0.2", "in quotes")),
        ('"behaviour.sign_factor" = [0, 0.1, 1]', "", ("a list of 2 entries", "of 3 entries")),
        ('"cargo.bag_sd" = [7, 9]', "", ("the value in use, 5 kg", "got 7 kg to 9 kg")),
        ('"parties[7].share" = [0.1, 0.2]', "", ("that this scenario has", "parties[7]")),
        ('"behaviour.queue_limit" = [0, 20]', "[0]", ("a whole number from 1 to 1000", "got 0")),
        ("behaviour.sign_factor = [0, 1]", "", ("a list of 2 entries", "Write the key in quotes")),
        (
            '"parties.share" = [0.2, 0.5]\n"parties[].share" = [0.2, 0.4]',
            "",
            ("one range of each",),
        ),
    ],
)
def test_faulty_ranges(tmp_path: Path, line: str, key: str, words: tuple[str, ...]) -> None:
    with pytest.raises(InputError, match=r"ranges.*: expected .*; got ") as caught:
        loaded(tmp_path, line)
    assert len(caught.value.faults) == 1, str(caught.value)
    fault = caught.value.faults[0]
    text = (tmp_path / "operation.toml").read_text()
    last = line.splitlines()[-1].split(" = ")[0]
    assert fault.line == line_of(text, "^" + re.escape(last) + " = ")
    assert fault.key.endswith(key)
    for word in words:
        assert word in str(fault)


def test_ranges_of_the_aircraft_are_told_in_its_file(tmp_path: Path) -> None:
    aircraft, _ = edit(shipped_text("aircraft"), r"\Z", '\n[ranges]\n"gear.travel_s" = [20, 30]\n')
    with pytest.raises(InputError, match=r"the value in use, 12 s; got 20 s to 30 s") as caught:
        load_scenario(write_scenario(tmp_path, aircraft=aircraft))
    assert Path(caught.value.faults[0].file).name == "aircraft.toml"


def test_chances_of_entry_errors_may_add_up_to_one(tmp_path: Path) -> None:
    operation, _ = edit(shipped_text("operation"), r"^people = 6$", "people = 6\nprobability = 0.7")
    operation, _ = edit(operation, r"^people = 60$", "people = 60\nprobability = 0.3")
    scenario = load_scenario(write_scenario(tmp_path, operation=operation))
    assert [e.probability for e in scenario.operation.entry_errors] == [0.7, 0.0, 0.3]
    r = {r.key: r for r in assumption_ranges(scenario)}["operation.entry_errors[].probability"]
    assert (r.value, r.law) == (0.7, ODDS)
