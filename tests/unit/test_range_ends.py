"""The ends of the assumption range beyond the cloud: which draws, flown how, told where."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from cgrisk.flight import prepare
from cgrisk.rare import (
    AssumptionRange,
    Meter,
    Question,
    assumption_range,
    cloud_of,
    envelope_score,
    fly_cloud,
    fly_pilot,
    is_redealing,
    range_ends,
    split_tail,
    strata_of,
    thinned,
)
from cgrisk.rare.assumptions import SplitEnd
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.curve import between, further
from cgrisk.rare.draws import Draws, drawn_assumptions
from cgrisk.rare.range_ends import fly_range_ends
from cgrisk.rare.redealing import split_model
from cgrisk.rare.study import Inverse, _inverse, _with_range
from cgrisk.report.tail_text import (
    _assumed,
    _split_draws,
    _split_lines,
    range_frame,
    risk_text,
    tail_decisions,
)
from cgrisk.runs.shelf import Shelf
from tests.cut_cases import SMALL
from tests.flight_cases import edited

PLACES = np.linspace(0.0, 10.0, 101)
#: Six rows, parties among them, a surge on one flight of fifty.
CASE = {key: value for key, value in SMALL.items() if key != "operation.parties"} | {
    "aircraft.cabin.rows": [{"rows": "1-6", "pitch": 0.8}],
    "operation.zones": [{"name": "all", "rows": "1-6", "adults": 24, "children": 0}],
    "operation.crowd.surge_probability": 0.02,
}


#: Standard deviation of what all split draws of an end add up to, over their sum: at the first
#: thresholds beyond the cloud, of forty splittings with other seeds. Against 400,000 ordinary
#: flights a draw they were 0.98 to 1.00 on average, with a standard error of 0.003 to 0.011; no
#: draw went with another.
SPREAD = {"upper": (0.017, 0.025, 0.038, 0.046), "lower": (0.026, 0.044, 0.052, 0.072)}


def by_hand(known: np.ndarray, low: np.ndarray | None = None) -> AssumptionRange:
    """21 draws that move a tail of one factor of e a unit by 0 to 2, and no input.

    Where their upper and their lower end is known; the lower one everywhere if not given.
    """
    base = np.exp(-PLACES)
    draws = np.exp(-np.maximum(PLACES[None, :] - np.linspace(0.0, 2.0, 21)[:, None], 0.0))
    low = np.ones(101, dtype=bool) if low is None else low
    return AssumptionRange(Draws((), np.empty((21, 0)), 5), PLACES, base, draws, 0, low, known)


@pytest.fixture(scope="module")
def question() -> Question:
    model = prepare(edited(CASE))
    score = envelope_score(model, side="aft")
    return Question(model=model, score=score, target=1e-3, deepest=1e-3, seed=5, jobs=2)


@pytest.fixture(scope="module")
def found(question: Question) -> AssumptionRange:
    """The cloud's range of 12 draws, with its upper end called untold from a tenth on."""
    pilot = fly_pilot(question)
    tail = split_tail(question, pilot=pilot, particles=300)
    at = np.array([pilot.threshold(p) for p in (0.3, 0.1, 0.03, 0.01, 0.003, 1e-3)])
    more = at[-1] + np.arange(1.0, 7.0) * (at[-1] - at[0]) / 6.0
    told = assumption_range(
        question,
        side="aft",
        group="any",
        cloud=cloud_of([tail]),
        thresholds=np.append(at, more),
        draws=12,
        pilot=pilot,
    )
    return replace(told, told_high=told.thresholds < at[1])


def test_nothing_is_flown_where_the_ends_are_told(question) -> None:
    meter = Meter()
    where = {"side": "aft", "group": "any", "meter": meter}
    whole = by_hand(PLACES >= 0.0)
    # The base is at 1e-3 at 6.91, the 95th percentile 1.9 further.
    enough = by_hand(PLACES < 9.0, low=PLACES < 7.05)
    for found in (whole, enough):
        told = fly_range_ends(found, question, **where)
        for name in ("draws", "told_low", "told_high"):
            np.testing.assert_array_equal(getattr(told, name), getattr(found, name))
        assert told.split_low.draws == told.split_high.draws == ()
        assert told.flights == found.flights
    assert meter.flown == 0


def test_the_draws_that_reach_furthest_are_flown(question, monkeypatch) -> None:
    """Two of 21 make the 95th percentile: the four that reach furthest, with the target lowered."""
    asked = []

    def split_model(wanted, **rest):
        asked.append((wanted.deepest, rest["label"].split()[-1]))
        error = np.where(PLACES < 9.5, 0.3, np.nan)
        return np.exp(-np.maximum(PLACES - 2.0, 0.0)), error, 100

    monkeypatch.setattr(range_ends, "split_model", split_model)
    monkeypatch.setattr(range_ends, "fly_pilot", lambda *_, **__: SimpleNamespace(flights=50))
    before = by_hand(PLACES < 8.0)
    before.draws[3] = np.maximum(before.draws[3], 5e-4)  # a flight that stands for much
    told = fly_range_ends(before, question, side="aft", group="any", factor=2.0)
    draws = told.split_high.curves
    assert asked == [(1e-3, str(n)) for n in (20, 19, 18, 17)]  # deepest was 1e-3 before
    assert told.split_high.draws == (20, 19, 18, 17)
    assert told.flights == 450
    beyond = PLACES >= 8.0
    # Others are as the cloud tells them, but no higher than the middle of those flown.
    others = np.minimum(before.draws[:17], np.where(beyond, np.exp(2.0 - PLACES), np.inf))
    np.testing.assert_array_equal(draws[:17], others)
    assert draws[3, -1] < before.draws[3, -1]
    np.testing.assert_allclose(draws[17:][:, beyond], np.tile(np.exp(2.0 - PLACES[beyond]), (4, 1)))
    assert (np.diff(draws, axis=1) <= 0.0).all()
    np.testing.assert_array_equal(told.split_high.error[~beyond], 0.0)
    # Where a draw flown itself was not seen its risk is not told.
    np.testing.assert_array_equal(told.told_high, PLACES < 9.5)


def test_draws_are_split_until_the_last_do_not_make_the_upper_end(question, monkeypatch) -> None:
    """Two of 21 make it, four are split at least; here the fourth and the sixth reach far."""
    reach = {20: 3.0, 19: 2.0, 18: 2.1, 17: 2.9, 16: 2.2, 15: 3.1, 14: 2.3}

    def split_model(_, **rest):
        number = int(rest["label"].split()[-1])
        return np.exp(-np.maximum(PLACES - reach[number], 0.0)), np.full(101, 0.3), 100

    monkeypatch.setattr(range_ends, "split_model", split_model)
    monkeypatch.setattr(range_ends, "fly_pilot", lambda *_, **__: SimpleNamespace(flights=50))
    told = fly_range_ends(by_hand(PLACES < 7.0), question, side="aft", group="any")
    assert told.split_high.draws == (20, 19, 18, 17, 16)  # the last is not among the two greatest
    reach[16] = 3.2
    told = fly_range_ends(by_hand(PLACES < 7.0), question, side="aft", group="any")
    assert told.split_high.draws == (20, 19, 18, 17, 16, 15, 14)


@pytest.mark.parametrize(("fifth", "last"), [(1.1, 5), (0.35, 7)])
@pytest.mark.parametrize(("rough", "told"), [(0.15, 9.25), (0.25, 8.45), (0.8, 8.45)])
def test_the_draws_of_least_risk_are_flown(
    question, monkeypatch, fifth: float, last: int, rough: float, told: float
) -> None:
    """Two of 21 make the fifth percentile: six draws, on until the last two do not make it."""
    asked, upto = [], []
    reach = np.array([0.9, 0.3, 0.8, 0.4, 1.0, fifth, 1.2, 1.3])[: last + 1, None]

    def split_model(wanted, **rest):
        number = int(rest["label"].split()[-1])
        asked.append((wanted.deepest, number, rest["doing"]))
        error = np.where(PLACES < 8.5, 0.15, rough)
        return np.exp(-np.maximum(PLACES - reach[number, 0], 0.0)), error, 100

    def fly_pilot(_, **rest):
        upto.append(rest["upto"])
        return SimpleNamespace(flights=50)

    monkeypatch.setattr(range_ends, "split_model", split_model)
    monkeypatch.setattr(range_ends, "fly_pilot", fly_pilot)
    before = by_hand(PLACES >= 0.0, low=PLACES < 6.0)
    before.draws[9:, 70:] = 1e-9  # few flights are left: no draw of greater risk has less
    before.draws[10, 59] /= 3.0  # one threshold by itself does not bring it forward
    deeper = replace(question, deepest=1e-5)
    found = fly_range_ends(before, deeper, side="aft", group="any")
    assert [number for _, number, _ in asked] == list(range(last + 1))
    np.testing.assert_allclose([deepest for deepest, *_ in asked], 3e-5)
    assert asked[0][-1] == "lower end of the assumption range, draw 1"
    # As far as the scenario as it stands is asked for: a tenth of 1e-3, at 9.21.
    assert upto == [pytest.approx(9.2)]
    assert found.split_low.draws == tuple(range(last + 1))
    assert found.split_high.draws == ()
    assert found.flights == 50 + 100 * (last + 1)
    beyond, draws = PLACES >= 6.0, found.split_low.curves
    np.testing.assert_allclose(draws[: last + 1][:, beyond], np.exp(reach - PLACES[beyond]))
    # Others are as the cloud tells them, but no lower than the middle of those flown.
    middle = np.where(beyond, np.median(np.exp(reach - PLACES), axis=0), 0.0)
    others = np.maximum(before.draws[last + 1 :], middle)
    np.testing.assert_allclose(draws[last + 1 :], others)
    assert (draws[9:, 70:] > 1e4 * before.draws[9:, 70:]).any()
    np.testing.assert_array_equal(found.split_low.error[~beyond], 0.0)
    np.testing.assert_array_equal(found.told_low, told > PLACES)
    # The upper end is the cloud's still.
    np.testing.assert_array_equal(found.told_high, before.told_high)
    np.testing.assert_array_equal(found.ends()[1], before.ends()[1])
    low = np.quantile(draws[:, beyond], 0.05, axis=0)
    np.testing.assert_array_equal(found.ends()[0][beyond], low)


def test_a_lower_end_far_below_is_told_though_its_draws_are_rough(question, monkeypatch) -> None:
    """At a tenth of the risk an error of 60 % leaves 6 points of the share; 80 % are too rough."""
    rough = 0.1 * np.exp(-PLACES), np.where(PLACES < 8.0, 0.6, 0.8), 100
    monkeypatch.setattr(range_ends, "split_model", lambda *_, **__: rough)
    monkeypatch.setattr(range_ends, "fly_pilot", lambda *_, **__: SimpleNamespace(flights=50))
    before = by_hand(PLACES >= 0.0, low=PLACES < 6.0)
    before = replace(before, draws=0.05 * before.draws)
    found = fly_range_ends(before, question, side="aft", group="any")
    np.testing.assert_array_equal(found.told_low, PLACES < 7.95)
    there = (PLACES > 6.0) & (PLACES < 7.95)
    np.testing.assert_allclose(found.resting_on_assumptions()[there], 0.9)


def test_a_draw_of_both_ends_is_split_once(question, monkeypatch) -> None:
    """Of five draws two make either end: four are split for the upper one, all for the lower."""
    asked = []

    def split_model(_, **rest):
        number = int(rest["label"].split()[-1])
        asked.append(number)
        return np.exp(-np.maximum(PLACES - number / 10.0, 0.0)), np.full(101, 0.3), 100

    monkeypatch.setattr(range_ends, "split_model", split_model)
    monkeypatch.setattr(range_ends, "fly_pilot", lambda *_, **__: SimpleNamespace(flights=50))
    whole = by_hand(PLACES < 5.0, low=PLACES < 4.0)
    few = replace(whole, draws=whole.draws[::4][:5], drawn=Draws((), np.empty((5, 0)), 5))
    told = fly_range_ends(few, question, side="aft", group="any")
    assert told.split_high.draws == (4, 3, 2, 1)
    assert told.split_low.draws == (0, 1, 2, 3, 4)
    assert asked == [4, 3, 2, 1, 0]
    assert told.flights == 600
    low, high = told.ends()
    far = PLACES >= 5.0
    curves = np.exp(np.arange(5)[:, None] / 10.0 - PLACES[far])
    np.testing.assert_allclose([low[far], high[far]], np.quantile(curves, (0.05, 0.95), axis=0))
    # Where the cloud tells the upper end and not the lower one, each is by its own.
    there = (PLACES >= 4.0) & ~far
    np.testing.assert_array_equal(high[there], np.quantile(few.draws[:, there], 0.95, axis=0))
    curves = np.exp(np.arange(5)[:, None] / 10.0 - PLACES[there])
    np.testing.assert_allclose(low[there], np.quantile(curves, 0.05, axis=0))


def test_the_error_is_that_of_the_draws_that_make_the_end(question, monkeypatch) -> None:
    """Two of 21: of the upper end errors 0.1 and 0.3, of the lower one 0.2 and 0.4."""
    errors = {20: 0.1, 19: 0.3, 18: 0.9, 17: 0.8} | {0: 0.2, 1: 0.4} | dict.fromkeys(range(2, 6), 7)

    def split_model(_, **rest):
        number = int(rest["label"].split()[-1])
        curve = np.exp(-np.maximum(PLACES - number / 10.0, 0.0))
        return curve, np.full(101, errors[number]), 100

    monkeypatch.setattr(range_ends, "split_model", split_model)
    monkeypatch.setattr(range_ends, "fly_pilot", lambda *_, **__: SimpleNamespace(flights=50))
    told = fly_range_ends(
        by_hand(PLACES < 7.0, low=PLACES < 6.0), question, side="aft", group="any"
    )
    np.testing.assert_allclose(told.split_high.error, np.where(PLACES < 7.0, 0.0, 0.2))
    np.testing.assert_allclose(told.split_low.error, np.where(PLACES < 6.0, 0.0, 0.3))


def test_what_was_split_is_told() -> None:
    """Lines, table and plain data of ends that were split, where their draws are seen and not."""
    some = np.where(PLACES < 6.0, 0.0, np.where(PLACES < 8.0, 0.25, np.nan))
    found = by_hand(PLACES < 9.0, low=PLACES < 8.0)
    found = replace(
        found,
        draws=0.5 * found.draws,
        split_low=SplitEnd((3, 1), some),
        split_high=SplitEnd((9, 8, 7), np.where(PLACES < 7.0, 0.0, 0.5)),
    )
    score = SimpleNamespace(unit="% MAC")
    study = SimpleNamespace(
        assumptions=found, question=SimpleNamespace(score=score), inverse=Inverse(6.95, 7.0, 8.86)
    )
    assert _split_lines(study) == [
        "upper end of the assumption range from 7.00 % MAC on: its 3 draws of greatest risk, split "
        "one by one (each to about 50 % where they meet the target)",
        "lower end of the assumption range from 6.00 % MAC on: its 2 draws of least risk, split "
        "one by one (each to about 25 % where the estimate meets the target, the share that rests "
        "on assumptions to 14 percentage points)",
    ]
    # The values in use are at the favourable end there: no share is told.
    study.assumptions = replace(found, draws=2.0 * found.draws)
    assert _split_lines(study)[1].endswith("25 % where the estimate meets the target)")
    # What is too rough to be told has no line: a note says that it is not told.
    study.assumptions = replace(found, told_low=PLACES < 6.0)
    assert [line[:5] for line in _split_lines(study)] == ["upper"]
    study.assumptions = found
    study.inverse = Inverse(8.2, 8.3, np.nan)
    assert [line.split(" risk, ")[1] for line in _split_lines(study)] == ["split one by one"] * 2
    assert _split_draws(study) == {"lower": [3, 1], "upper": [9, 8, 7]}
    frame = range_frame(study)
    assert [*frame] == [
        "threshold",
        "lower_end",
        "upper_end",
        "lower_split_error",
        "upper_split_error",
    ]
    np.testing.assert_array_equal(frame["lower_split_error"], some)
    assert frame["lower_end"].notna().sum() == 80
    assert frame["upper_end"].notna().sum() == 90
    study.assumptions = None
    assert _split_lines(study) == []
    assert [*range_frame(study)] == [*frame]
    assert _split_draws(study) == {"lower": [], "upper": []}


def test_the_share_that_rests_on_assumptions() -> None:
    found = by_hand(PLACES >= 0.0)
    # The fifth percentile of these draws is e^0.1 times the base: it is at their favourable end.
    assert np.isnan(found.resting_on_assumptions()[20:]).all()
    less = replace(found, draws=found.draws * np.exp(-1.1))
    np.testing.assert_allclose(less.resting_on_assumptions()[20:], 1.0 - np.exp(-1.0))
    split = replace(less, split_low=SplitEnd((0,), np.zeros(1), found.draws * np.exp(-0.6)))
    np.testing.assert_allclose(split.resting_on_assumptions()[20:], 1.0 - np.exp(-0.5))
    unseen = replace(less, base=np.where(PLACES < 5.0, less.base, 0.0))
    assert np.isnan(unseen.resting_on_assumptions()[50:]).all()


def test_where_the_cloud_tells_the_ends(question) -> None:
    """By effective flights: 25 in half of all draws; 10 in half of the tenth of greatest risk."""
    pilot = fly_pilot(question)
    cloud = cloud_of([split_tail(question, pilot=pilot, particles=120)])
    at = np.array([pilot.threshold(p) for p in np.geomspace(0.1, 1e-3, 15)])
    at = np.append(at, at[-1] + np.linspace(0.2, 2.0, 10))
    found = assumption_range(
        question, side="aft", group="any", cloud=cloud, thresholds=at, draws=12, pilot=pilot
    )
    few = thinned(cloud, flights=6_000)
    redealing = {entry.key for entry in found.drawn.ranges if is_redealing(entry.key)}
    risk, effective = np.empty((2, 12, at.size))
    for number in range(12):
        model = found.drawn.model(question.model, number, but=redealing)
        strata = strata_of(model, bands_of=question.model, side="aft")
        scores = fly_cloud(few, strata=strata, score=envelope_score(model, side="aft"), jobs=2)
        weights = few.weights(strata)
        for place, x in enumerate(at):
            above = weights[scores > x]
            risk[number, place] = above.sum()
            effective[number, place] = above.sum() ** 2 / max((above**2).sum(), 1e-300)
    low = np.median(effective, axis=0) >= 25.0
    high = effective[risk.argmax(axis=0), np.arange(at.size)] >= 10.0
    np.testing.assert_array_equal(found.told_low, low)
    np.testing.assert_array_equal(found.told_high, high)
    assert 0 < low.sum() < at.size
    assert high.sum() > 0


def test_one_threshold_that_is_not_told_is_no_end() -> None:
    for told, known in (("11011001", "11111000"), ("111110", "111110"), ("0011", "0000")):
        found = replace(
            by_hand(PLACES >= 0.0),
            told_low=np.array([c == "1" for c in told]),
            told_high=np.array([c == "1" for c in told[::-1]]),
        )
        assert "".join("01"[int(there)] for there in found.known_low()) == known
    assert found.known_high().tolist() == [True, True, False, False]


def test_no_end_rises_with_the_threshold() -> None:
    """Where chance has it so, what comes before is raised; what is not known has no say."""
    plain = by_hand(PLACES < 9.0, low=PLACES < 8.0)
    bent = plain.draws.copy()
    bent[:, 30] = np.minimum(4.0 * bent[:, 30], 1.0)
    bent[:, 40] *= 0.2
    bent[:, 95] = 1.0
    for before, end, last in zip(
        plain.ends(), replace(plain, draws=bent).ends(), (80, 90), strict=True
    ):
        assert (np.diff(end[:last]) <= 0.0).all()
        raised = (PLACES <= 3.0) & (before < end[30])
        assert 5 < raised.sum() < 31
        np.testing.assert_array_equal(end[raised], end[30])
        assert end[40] == before[41]
        same = (~raised) & (PLACES != 4.0) & (PLACES != 9.5)
        np.testing.assert_array_equal(end[same], before[same])
        assert end[95] == 1.0


def test_a_counted_answer_scales_as_far_as_it_has_hits(question) -> None:
    """Beyond the last threshold with 30 hits as there; by the first where it never has so many."""
    pilot = fly_pilot(question)
    tail = split_tail(question, pilot=pilot, particles=200, replicates=4)
    at = np.array([pilot.threshold(p) for p in (0.1, 0.05, 0.02, 0.01)])
    cloud = cloud_of([tail])
    rest = {"side": "aft", "group": "any", "cloud": cloud, "thresholds": at, "draws": 3}
    plain = assumption_range(question, pilot=pilot, **rest)
    answer = plain.base * [1.5, 2.0, 5.0, 0.0]
    for hits, scale in (
        ([60.0, 30.0, 29.9, 0.0], [1.5, 2.0, 2.0, 2.0]),
        ([60.0, 50.0, 40.0, 0.0], [1.5, 2.0, 5.0, 5.0]),
        ([20.0, 12.0, 8.0, 0.0], [1.5, 1.5, 1.5, 1.5]),
    ):
        scaled = assumption_range(
            question, pilot=pilot, answer=answer, answer_hits=np.array(hits), **rest
        )
        np.testing.assert_allclose(scaled.base, plain.base * scale)
        np.testing.assert_allclose(scaled.draws, np.minimum(plain.draws * scale, 1.0))


def test_thresholds_fill_gaps_of_the_curve() -> None:
    """A planned load far beyond the target leaves one, where the upper end may be met."""
    curve = np.array([0.5, 1.0, 1.5, 2.0, 2.67, 4.1, 7.74])
    places = further(curve)
    assert np.isin(curve, places).all()
    assert np.diff(places).max() < 1.5 * 0.8 * 7.24 / 16.0
    assert places[-1] == pytest.approx(7.74 + 0.8 * 7.24)
    frame = pd.DataFrame({"threshold": curve, "estimate": [*np.exp(-curve[:6]), 0.0]})
    found = between(frame, "estimate", places, beyond=0.25)
    inside = places <= 4.1
    np.testing.assert_allclose(found[inside], np.exp(-places[inside]))
    assert (found[~inside] == 0.25).all()


@pytest.mark.parametrize(
    ("simulation", "unsourced", "told"),
    [(0.2, 1.6, "About 0.60 % MAC of it"), (-np.inf, 9.0, "About 1.00 % MAC of it")],
)
def test_what_stands_for_assumptions_is_no_more_than_the_whole(simulation, unsourced, told) -> None:
    model = prepare(edited(SMALL))
    study = SimpleNamespace(
        question=SimpleNamespace(
            target=1e-3,
            model=model,
            score=SimpleNamespace(offset_sign=-1, unit="% MAC", as_planned=1.2, at_limit=1.0),
        ),
        side="aft",
        inverse=Inverse(simulation, simulation, 2.0, unsourced),
        assumptions=SimpleNamespace(draws=np.ones((16, 3)), told_high=np.array([True, True])),
    )
    *_, decision, last = tail_decisions(study)
    assert decision.startswith("Decision: keep 1.00 % MAC")
    assert last.startswith(told)


@pytest.mark.parametrize("end", ["upper", "lower"])
def test_what_is_flown_is_the_draw(question, found, end: str, seed_offset, monkeypatch) -> None:
    """Together, against 60,000 ordinary flights of each, within 4 standard errors.

    Those of forty such splittings are the measure, since estimates that are low by chance state low
    errors; what is stated must agree with it as far as six replicates a draw can tell.
    """
    stated = np.zeros(12)

    def watched(*args: Any, **given: Any) -> tuple[Any, ...]:
        flown = split_model(*args, **given)
        stated[:] += np.nan_to_num(flown[0] * flown[1]) ** 2
        return flown

    monkeypatch.setattr(range_ends, "split_model", watched)
    other = replace(question, seed=question.seed + seed_offset)
    first = int(found.known_high().sum())
    if end == "lower":
        # Where the scenario as it stands meets the target, the draws of least risk are below it.
        found = replace(found, told_low=found.told_high, told_high=np.full(12, True))
    told = fly_range_ends(found, other, side="aft", group="any")
    split, known = (
        (told.split_high, told.known_high())
        if end == "upper"
        else (told.split_low, told.known_low())
    )
    curves = split.curves
    assert len(split.draws) >= 4
    here = np.flatnonzero(known & (np.arange(12) >= first))[:4]
    assert here.size >= 3
    assert here[0] == first
    sums, squares = np.zeros((2, here.size)), np.zeros(here.size)
    for number in split.draws:
        model = found.drawn.model(question.model, number)
        own = envelope_score(model, side="aft")
        seed = 900 + number + 100 * seed_offset
        scores = fly_scores(model, score=own, seed=seed, first=0, count=60_000, jobs=2)
        counted = np.array([(scores > x).mean() for x in told.thresholds[here]])
        sums += [curves[number, here], counted]
        squares += counted / scores.size
    spread = np.array(SPREAD[end][: here.size])
    assert (np.abs(sums[0] - sums[1]) < 4.0 * np.hypot(spread * sums[1], np.sqrt(squares))).all()
    error = np.sqrt(stated[here]) / sums[0]
    assert ((error > 0.4 * spread) & (error < 2.0 * spread)).all()
    # They are not the scenario as it stands: the ends lie well off it.
    low, high = told.ends()
    far = high > 1.3 * told.base if end == "upper" else low < 0.8 * told.base
    assert far[here].all()


def test_split_draws_are_the_same_for_any_jobs_and_from_a_shelf(question, found, tmp_path) -> None:
    found = replace(found, told_low=found.told_high)
    shelf = Shelf(tmp_path / "begun", key="one question")
    meters = (Meter(), Meter(shelf=shelf), Meter(shelf=shelf))
    told = [
        fly_range_ends(found, replace(question, jobs=jobs), side="aft", group="any", meter=meter)
        for jobs, meter in zip((1, 2, 2), meters, strict=True)
    ]
    for other in told[1:]:
        np.testing.assert_array_equal(other.split_high.curves, told[0].split_high.curves)
        np.testing.assert_array_equal(other.split_low.curves, told[0].split_low.curves)
        np.testing.assert_array_equal(other.split_high.error, told[0].split_high.error)
        np.testing.assert_array_equal(other.split_low.error, told[0].split_low.error)
        assert other.split_high.draws == told[0].split_high.draws
        assert other.split_low.draws == told[0].split_low.draws
        assert other.flights == told[0].flights
    assert meters[0].flown == meters[1].flown > 10_000
    assert meters[2].flown == 0


def test_the_model_of_a_draw(question) -> None:
    drawn = drawn_assumptions(question.model, draws=6, seed=5)
    assert len(drawn) == 6
    place, entry = next((n, r) for n, r in enumerate(drawn.ranges) if r.key.endswith("bag_mean"))
    other = drawn.model(question.model, 2)
    assert other.scenario.operation.cargo.bag_mean == pytest.approx(drawn.values[2, place])
    still = drawn.model(question.model, 2, but=(entry.key,))
    assert still.scenario.operation.cargo.bag_mean == entry.value
    # Each draw has a fleet of its own; the same one twice is the same.
    fleets = [drawn.model(question.model, n).program.dry.fleet_mass_kg for n in (2, 2, 3)]
    np.testing.assert_array_equal(fleets[0], fleets[1])
    assert (fleets[0] != fleets[2]).all()


def test_curves_of_draws_are_scaled_to_the_answer(question) -> None:
    """By the ratio of the answer to the cloud's own curve, where both have flights."""
    pilot = fly_pilot(question)
    tail = split_tail(question, pilot=pilot, particles=200, replicates=4)
    at = np.array([pilot.threshold(p) for p in (0.1, 0.01)])
    thresholds = np.array([*at, at[-1] + 100.0, at[-1] + 200.0])
    rest = {"side": "aft", "group": "any", "cloud": cloud_of([tail]), "thresholds": thresholds}
    plain = assumption_range(question, draws=3, pilot=pilot, **rest)
    answer = np.array([0.5 * plain.base[0], 0.0, 1e-9, 0.0])
    scaled = assumption_range(question, draws=3, pilot=pilot, answer=answer, **rest)
    np.testing.assert_allclose(scaled.base, plain.base * [0.5, 1.0, 1.0, 1.0])
    np.testing.assert_allclose(scaled.draws, plain.draws * [0.5, 1.0, 1.0, 1.0])


def test_the_error_of_draws_flown_themselves_is_added(question) -> None:
    """30 % by six replicates, with 95 %: exp(2.571 0.3) times the risk, 0.77 further down."""
    base = np.exp(-PLACES)
    curve = pd.DataFrame({"threshold": PLACES, "estimate": base, "low": base, "high": base})
    exact, rough = (
        replace(by_hand(PLACES >= 0.0), split_high=SplitEnd((), np.where(PLACES < 8.0, 0.0, error)))
        for error in (0.0, 0.3)
    )
    near, far = (
        _inverse(question, curve, found, open_end=True).assumption for found in (exact, rough)
    )
    assert near == pytest.approx(1.9 - np.log(1e-3), abs=0.01)
    assert far - near == pytest.approx(2.571 * 0.3, abs=0.01)


def test_what_is_not_told_of_the_ends_is_said() -> None:
    curve = pd.DataFrame({"threshold": PLACES, "estimate": np.exp(-PLACES)})
    found = by_hand(PLACES < 9.0, low=PLACES < 8.0)
    few = "on: too few flights are left there under other assumptions."
    assert _with_range(curve, found, unit="deg") == [
        f"no lower end of the assumption range from 8 deg {few}",
        f"no upper end of the assumption range from 9 deg {few}",
    ]
    assert curve["assumption_low"].notna().sum() == 80
    assert curve["assumption_high"].notna().sum() == 90
    split = replace(found, split_low=SplitEnd((0,), np.zeros(1)))
    assert _with_range(curve, split, unit="deg")[0].endswith("tell it too roughly.")


def test_an_estimate_at_the_favourable_end() -> None:
    row = {"estimate": 1e-5, "low": 9e-6, "high": 1.1e-5}
    row |= {"assumption_low": 2e-5, "assumption_high": 4e-4, "on_assumptions": np.nan}
    assert risk_text(pd.Series(row)).endswith("2.0e-05 to 4.0e-04, nearly all of them above it")
    row |= {"assumption_low": 5e-6, "on_assumptions": 0.5}
    assert "above it" not in risk_text(pd.Series(row))
    assert "50 % of it rests on them" in risk_text(pd.Series(row))
    # A count of two hits, below what the cloud says: neither is told.
    row |= {"assumption_low": 2e-5}
    assert risk_text(pd.Series(row)).endswith("2.0e-05 to 4.0e-04")


def test_a_range_whose_lower_end_is_not_told() -> None:
    row = pd.Series({"assumption_low": np.nan, "assumption_high": 3.4e-4})
    assert _assumed(row) == "up to 0.00034"
    assert _assumed(pd.Series({**row, "assumption_low": 1.2e-4})) == "0.00012 to 0.00034"
    assert _assumed(pd.Series({"assumption_low": 1e-4, "assumption_high": np.nan})) == ""
