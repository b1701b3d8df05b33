"""Shares of the variance by cause against closed forms, and against a second estimator."""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pytest
from scipy import stats

from cgrisk.causes import cause_variance, variance_shares
from cgrisk.causes.shares import NO_VARIANCE, NOT_KNOWN, TOO_FEW
from cgrisk.errors import UsageError
from cgrisk.flight import prepare
from cgrisk.rare.score import envelope_score
from cgrisk.report.style import chart_style, new_figure
from cgrisk.report.variance_chart import variance_bars
from cgrisk.risk import frozen_shares
from cgrisk.sampling import simulate
from tests.cabin_cases import NO_SERVICE, NOBODY_UP
from tests.flight_cases import SEATING_ALONE, edited
from tests.simpy_cases import certain

KINDS = ("first_order", "total", "shapley")


def sampled(function, *, causes, pairs, seed, draw="uniform", inputs=1):
    """An evaluation of ``function`` on two samples; each cause has some inputs, side by side."""
    random = np.random.default_rng(seed)
    x = random.uniform(size=(2, pairs, causes * inputs))
    x = stats.norm.ppf(x) if draw == "normal" else x

    def evaluate(pairs, swapped):
        swapped = np.repeat(swapped, inputs, axis=1)
        return function(np.where(swapped, x[1][pairs], x[0][pairs]))[:, None]

    return evaluate


def shares_of(function, *, causes, pairs=4096, seed=1, jobs=1, **law):
    names = tuple(f"x{i + 1}" for i in range(causes))
    evaluate = sampled(function, causes=causes, pairs=pairs, seed=seed, **law)
    return variance_shares(evaluate, causes=names, pairs=pairs, seed=seed, jobs=jobs)


def exact(parts, causes):
    """Shares from the variances of the joint effects, {(0, 2): variance, ...}: by definition."""
    whole = sum(parts.values())
    of = [{u: v for u, v in parts.items() if i in u} for i in range(causes)]
    return {
        "first_order": [parts.get((i,), 0.0) / whole for i in range(causes)],
        "total": [sum(of[i].values()) / whole for i in range(causes)],
        "shapley": [sum(v / len(u) for u, v in of[i].items()) / whole for i in range(causes)],
    }


def check(frame, parts, causes):
    """All shares of one answer within 5 standard errors, and what they add up to."""
    rows = frame[frame["cause"] != "together"]
    assert (frame["reason"] == "").all()
    for kind, expected in exact(parts, causes).items():
        gap = rows[kind].to_numpy() - expected
        assert (np.abs(gap) <= 5.0 * rows[f"{kind}_se"].to_numpy() + 1e-12).all(), (kind, gap)
    assert rows["shapley"].sum() == pytest.approx(1.0, abs=1e-12)
    assert (rows["total"] >= rows["first_order"] - 1e-12).all()
    last = frame[frame["cause"] == "together"].iloc[0]
    assert last["first_order"] == pytest.approx(1.0 - rows["first_order"].sum(), abs=1e-12)
    joint = sum(v for u, v in parts.items() if len(u) > 1) / sum(parts.values())
    assert abs(last["first_order"] - joint) <= 5.0 * last["first_order_se"] + 1e-12


def ishigami(u):
    """Ishigami & Homma (1990), a = 7, b = 0.1 (from memory)."""
    x = math.pi * (2.0 * u - 1.0)
    return np.sin(x[:, 0]) * (1.0 + 0.1 * x[:, 2] ** 4) + 7.0 * np.sin(x[:, 1]) ** 2


#: Integrals by hand: 0.5 (1 + b pi^4/5)^2, a^2/8, 8 b^2 pi^8/225.
ISHIGAMI = {
    (0,): 0.5 * (1.0 + 0.1 * math.pi**4 / 5.0) ** 2,
    (1,): 49.0 / 8.0,
    (0, 2): 8.0 * 0.01 * math.pi**8 / 225.0,
}

#: Sobol's g-function: product of (|4 u - 2| + a)/(1 + a); factors of mean 1 and these variances.
G = np.array([0.0, 1.0, 4.5, 9.0, 99.0])
G_VARIANCES = 1.0 / (3.0 * (1.0 + G) ** 2)


def g_function(u):
    return np.prod((np.abs(4.0 * u - 2.0) + G) / (1.0 + G), axis=1)


def g_parts():
    sets = [u for k in range(1, 6) for u in itertools.combinations(range(5), k)]
    return {u: float(np.prod(G_VARIANCES[list(u)])) for u in sets}


def test_ishigami_function(seed_offset):
    frame = shares_of(ishigami, causes=3, seed=2 + seed_offset)
    check(frame, ISHIGAMI, 3)
    assert exact(ISHIGAMI, 3)["shapley"] == pytest.approx([0.4357, 0.4424, 0.1218], abs=1e-4)
    assert frame["shapley_se"].max() < 0.02


def test_g_function(seed_offset):
    check(shares_of(g_function, causes=5, seed=3 + seed_offset), g_parts(), 5)


@pytest.mark.parametrize("causes", [1, 2, 3, 4, 7])
def test_a_sum_has_the_same_share_three_times(causes, seed_offset):
    """Groups of inputs that add up: nothing joint, and exactly so in every pair."""
    weights = np.arange(1.0, 2.0 * causes + 1.0)
    frame = shares_of(lambda u: u @ weights, causes=causes, inputs=2, seed=4 + seed_offset)
    variances = (weights[::2] ** 2 + weights[1::2] ** 2) / 12.0
    check(frame, {(i,): v for i, v in enumerate(variances)}, causes)
    rows = frame[frame["cause"] != "together"]
    np.testing.assert_allclose(rows["first_order"], rows["shapley"], atol=1e-9)
    np.testing.assert_allclose(rows["total"], rows["shapley"], atol=1e-9)
    last = frame.iloc[-1]
    assert last["first_order"] == pytest.approx(0.0, abs=1e-9)
    assert last["first_order_se"] == pytest.approx(0.0, abs=1e-9)


def test_a_pure_joint_effect_is_split_equally(seed_offset):
    """x1 x2 of two centred inputs, beside one that does nothing."""
    frame = shares_of(
        lambda z: z[:, 0] * z[:, 1], causes=3, pairs=8192, seed=5 + seed_offset, draw="normal"
    )
    check(frame, {(0, 1): 1.0}, 3)
    idle = frame[frame["cause"] == "x3"].iloc[0]
    assert all(idle[kind] == 0.0 and idle[f"{kind}_se"] == 0.0 for kind in KINDS)


def test_a_joint_effect_of_four_among_six(seed_offset):
    def function(z):
        return z[:, 0] + z[:, 1] * z[:, 2] * z[:, 3] * z[:, 4] + 2.0 * z[:, 4] * z[:, 5]

    frame = shares_of(function, causes=6, pairs=8192, seed=6 + seed_offset, draw="normal")
    check(frame, {(0,): 1.0, (1, 2, 3, 4): 1.0, (4, 5): 4.0}, 6)


@pytest.mark.parametrize("case", ["ishigami", "g"])
def test_standard_errors_are_true(case, seed_offset):
    """200 repetitions: neither a bias nor errors too small or too large (chi-square)."""
    function, causes = (ishigami, 3) if case == "ishigami" else (g_function, 5)
    truth = exact(ISHIGAMI if case == "ishigami" else g_parts(), causes)
    scores = []
    for repetition in range(200):
        seed = 1000 + 200 * seed_offset + repetition
        rows = shares_of(function, causes=causes, pairs=512, seed=seed).iloc[:-1]
        scores.append([(rows[k] - truth[k]) / rows[f"{k}_se"] for k in KINDS])
    z = np.array(scores)[:, :, :3]  # the last of the g-function are under one in a hundred
    assert np.abs(z.mean(axis=0)).max() < 5.0 / math.sqrt(200.0)
    squares = (z**2).sum(axis=0)
    assert stats.chi2.cdf(squares, 200).min() > 1e-6
    assert stats.chi2.sf(squares, 200).min() > 1e-6


def test_jobs_change_no_bit():
    one = shares_of(g_function, causes=5, pairs=1000, jobs=1)
    two = shares_of(g_function, causes=5, pairs=1000, jobs=2)
    assert one.to_csv() == two.to_csv()


def test_reasons_stand_beside_missing_shares():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        few = shares_of(ishigami, causes=3, pairs=99)
        flat = shares_of(lambda z: 3.0 + 1e-12 * z[:, 0], causes=3, pairs=200)
        rare = shares_of(lambda z: (z[:, 0] > 0.995) * 1.0, causes=3, pairs=200)
    assert few[list(KINDS)].isna().all(axis=None)
    assert (few["reason"] == TOO_FEW).all()
    assert (flat.loc[flat["cause"] != "together", list(KINDS)] == 0.0).all(axis=None)
    assert (flat["reason"] == NO_VARIANCE).all()
    assert rare[list(KINDS)].isna().all(axis=None)
    assert (rare["reason"] == NOT_KNOWN).all()
    assert (shares_of(ishigami, causes=3, pairs=100)["reason"] == "").all()


def test_faulty_arguments_are_refused():
    evaluate = sampled(ishigami, causes=3, pairs=128, seed=1)
    given = {"causes": ("a", "b", "c"), "pairs": 128, "seed": 1}
    with pytest.raises(UsageError, match="pairs: expected a whole number of at least 1"):
        variance_shares(evaluate, **{**given, "pairs": 0})
    with pytest.raises(UsageError, match="causes: expected at least one name, each once"):
        variance_shares(evaluate, **{**given, "causes": ("a", "a", "c")})
    with pytest.raises(UsageError, match="seed: expected a whole number"):
        variance_shares(evaluate, **{**given, "seed": -1})
    with pytest.raises(UsageError, match=r"evaluate: expected answers of shape \(1024, 2\)"):
        variance_shares(evaluate, **given, answers=("one", "two"))
    with pytest.raises(UsageError, match="answers: expected figures that every flight has"):
        variance_shares(lambda p, _: np.full((p.size, 1), np.nan), **given)


class MomentError:
    """Moment error of the passengers about the planned take-off CG, kg m."""

    def __init__(self, model):
        names = ("take_off_error_kgm.seating", "take_off_error_kgm.mass")
        self.columns = [model.columns.index(name) for name in names]

    def of(self, rows):
        return rows[:, self.columns].sum(axis=1)


def passenger_mass(model):
    """Mean and standard deviation of an adult and his bag, from the scenario's figures."""
    body, bag = model.scenario.operation.mass.body, model.scenario.operation.mass.bag
    men = model.scenario.operation.passengers.male_share
    carried = (1.0 - bag.none_share) * np.array([bag.mean, bag.mean**2 + bag.sd**2])
    bodies = men * np.array([body.men.mean, body.men.mean**2 + body.men.sd**2])
    bodies += (1.0 - men) * np.array([body.women.mean, body.women.mean**2 + body.women.sd**2])
    variances = [second - first**2 for first, second in (carried, bodies)]
    return carried[0] + bodies[0], math.sqrt(sum(variances))


def test_seats_and_masses_have_their_closed_form_shares(seed_offset):
    """Moment sum of w_p (x_p - x_ref): n of N seats at random in each zone, masses independent.

    Seating alone: w_mean^2 n (N - n)/(N - 1) s_x^2. Masses alone: s_w^2 n (x_zone - x_ref)^2, for a
    passenger's seat is on average the middle of his zone. The rest of the masses' variance in fixed
    seats, s_w^2 sum (x_i - x_ref)^2, is a joint effect: s_w^2 n s_x^2.
    """
    still = {**SEATING_ALONE, **NOBODY_UP, **NO_SERVICE}
    model = prepare(certain(still))
    mean, sd = passenger_mass(model)
    reference = model.program.sheet.take_off_arm_m
    seating = mass = joint = 0.0
    cabin = model.program.cabin
    for zone, people in enumerate(cabin.zone_adults):
        region = cabin.zone_region[zone]
        seats = cabin.region_seats[cabin.region_start[region] : cabin.region_start[region + 1]]
        arms, n, places = cabin.arm_m[seats], int(people), seats.size
        seating += mean**2 * n * (places - n) / (places - 1) * arms.var()
        mass += sd**2 * n * (arms.mean() - reference) ** 2
        joint += sd**2 * n * arms.var()
    parts = {(0,): seating, (1,): mass, (0, 1): joint}
    assert min(parts.values()) > 0.03 * sum(parts.values())
    answers = {"moment": MomentError(model)}
    frame = cause_variance(model, seed=7 + seed_offset, pairs=1024, answers=answers, jobs=2)
    others = frame[~frame["cause"].isin(["seating", "mass", "together"])]
    assert len(others) == 8
    assert (others[list(KINDS)] == 0.0).all(axis=None)
    frame = frame[frame["cause"].isin(["seating", "mass", "together"])]
    assert list(frame["cause"]) == ["seating", "mass", "together"]
    check(frame, parts, 2)


@pytest.fixture(scope="module")
def model():
    return prepare(edited({}))


def test_flights_agree_with_freezing_them(seed_offset):
    """Other flights, other estimators: :func:`cgrisk.risk.frozen_shares`."""
    sample = simulate(edited({}), flights=1024, seed=8 + seed_offset, jobs=2)
    frozen = frozen_shares(sample, jobs=2).rename(columns={"share": "first_order"})
    column = "error_max_pct_mac.in_flight"
    answers = {"most_aft_error_in_flight": column}
    frame = cause_variance(sample.model, seed=9 + seed_offset, pairs=256, answers=answers, jobs=2)
    both = frame.merge(frozen, on=["answer", "cause"], suffixes=("", "_frozen"))
    assert len(both) == 11
    error = np.hypot(both["first_order_se"], both["standard_error"])
    gap = both["first_order"] - both["first_order_frozen"]
    assert (np.abs(gap) < 5.0 * error).all()
    both = both[both["cause"] != "together"]
    error = np.hypot(both["total_se"], both["joint_standard_error"])
    gap = both["total"] - both["with_joint_effects"]
    assert (np.abs(gap) < 5.0 * error).all()


def test_flights_by_default(model):
    """Excess aft and forward; the same bits for any number of threads; scores as named."""
    frame = cause_variance(model, seed=10, pairs=130, jobs=1)
    assert list(frame["answer"].unique()) == ["excess_aft", "excess_forward"]
    assert frame.groupby("answer")["shapley"].sum().to_numpy() == pytest.approx([1.0, 1.0])
    assert (frame["pairs"] == 130).all()
    again = cause_variance(
        model, seed=10, pairs=130, jobs=3, answers={"aft": envelope_score(model, side="aft")}
    )
    figures = [name for name in frame.columns if name != "answer"]
    assert again[figures].to_csv() == frame.loc[frame["answer"] == "excess_aft", figures].to_csv()


def test_answers_that_do_not_exist_are_refused(model):
    with pytest.raises(UsageError, match="answers: expected scores, or names of"):
        cause_variance(model, seed=1, answers={"a": "error"})
    with pytest.raises(UsageError, match="answers: expected at least one"):
        cause_variance(model, seed=1, answers={})
    with pytest.raises(UsageError, match="pairs: expected at most 2147483648"):
        cause_variance(model, seed=1, pairs=2**31 + 1)
    with pytest.raises(UsageError, match="seed: expected a whole number"):
        cause_variance(model, seed=-1, pairs=10)


def test_phases_that_are_not_flown_are_refused():
    phases = edited({}).resolved()["operation"]["phases"]
    short = [p for p in phases if p["kind"] not in ("climb", "cruise", "descent")]
    model = prepare(certain({"operation.phases": short, **NO_SERVICE}))
    with pytest.raises(UsageError, match="figures that every flight has; got 'extreme'"):
        cause_variance(
            model, seed=1, pairs=100, answers={"extreme": "error_max_pct_mac.in_flight"}, jobs=2
        )


def test_bars_show_the_shares():
    """Their lengths, the order, the numbers beside them, and reasons where there is nothing."""
    evaluate = sampled(ishigami, causes=3, pairs=200, seed=1)
    two = variance_shares(
        lambda p, s: np.hstack([evaluate(p, s), 0.0 * evaluate(p, s)]),
        causes=("a", "b", "c"),
        pairs=200,
        seed=1,
        answers=("some_answer", "flat"),
    )
    with chart_style():
        ax = variance_bars(two, ax=new_figure().subplots())
        shares = two[two["answer"] == "some_answer"].set_index("cause")["shapley"]
        names = [label.get_text() for label in ax.get_yticklabels()]
        assert names == list(shares.drop("together").sort_values().index)
        bars = [patch.get_width() for patch in ax.patches[:3]]
        assert bars == pytest.approx([100.0 * shares[name] for name in names])
        texts = [text.get_text() for text in ax.texts]
        assert all(any(t.startswith(f"{b:.1f} ± ") for t in texts) for b in bars)
        labels = [text.get_text() for text in ax.get_legend().get_texts()]
        assert f"flat ({NO_VARIANCE})" in labels
        few = variance_shares(evaluate, causes=("a", "b", "c"), pairs=10, seed=1)
        ax = variance_bars(few, ax=new_figure().subplots())
        assert [text.get_text() for text in ax.texts] == [f"answer: {TOO_FEW}"]
