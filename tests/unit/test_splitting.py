"""Splitting on worlds of known tails: unbiased, moves that keep the law, fresh draws, honest ends.

Estimates are compared at 5 standard errors (SE), the SE being that of the runs' own spread.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import fly_block, prepare
from cgrisk.rare import multilevel, splitting
from cgrisk.rare import pilot as trial_flights
from cgrisk.rare.cloud import cloud_of, fly_cloud, weighted_exceedance
from cgrisk.rare.estimate import replicate_interval
from cgrisk.rare.moves import Moves, Particles, ScoredFlights, fresh_particles, move
from cgrisk.rare.multilevel import SplitTail, split_tail
from cgrisk.rare.pilot import Pilot, fly_pilot, levels_of
from cgrisk.rare.question import Question
from cgrisk.rare.rehearsal import Rehearsal
from cgrisk.rare.score import envelope_score
from cgrisk.rare.splitting import SplitRun, adaptive_run, level_run
from cgrisk.rare.strata import Stratum
from cgrisk.rare.thresholds import curve_thresholds
from tests.cut_cases import SMALL
from tests.flight_cases import edited, shipped_scenario
from tests.rare_worlds import TOP, ToyWorld, constant, steps, sums, two_modes

DEEP = [1e-3, 1e-5, 1e-7]
#: A fifth, a fifth of that, and so on, down to 1e-7.
LADDER = [0.2**k for k in range(1, 11)]

WORLDS: dict[str, Callable[[int], ToyWorld]] = {
    "sums": sums,
    "two modes": two_modes,
    "steps": steps,
}


def thresholds_of(name: str, world: ToyWorld) -> np.ndarray:
    """About 1e-3, 1e-5 and 1e-7; the steps end at 1e-5 and a bit."""
    return np.array([2.5, 3.5, 4.0]) if name == "steps" else world.thresholds(DEEP)


def ladder_of(name: str, world: ToyWorld) -> np.ndarray:
    return np.arange(0.5, 4.5, 0.5) if name == "steps" else world.thresholds(LADDER)


def run_level(name: str, world: ToyWorld, number: int, *, particles: int, **named) -> SplitRun:
    return level_run(
        world,
        levels=ladder_of(name, world),
        particles=particles,
        rng=np.random.default_rng([number, world.seed]),
        first_flight=number * particles,
        **named,
    )


def run_rehearsed(name: str, world: ToyWorld, number: int, *, particles: int) -> SplitRun:
    """Levels with rehearsed moves: the rough score knows nothing of the second mode."""
    rehearsal = Rehearsal(
        world.rough, Moves.of(world), np.array([0.0, 5.0]), np.array([0.5, 1.0]), steps=4
    )
    return run_level(name, world, number, particles=particles, rehearsal=rehearsal)


def run_adaptive(_name: str, world: ToyWorld, number: int, *, particles: int) -> SplitRun:
    return adaptive_run(
        world,
        particles=particles,
        rng=np.random.default_rng([number, world.seed]),
        lowest=3e-8,
        killed=0.2,
        moves_each=6,
        first_flight=number * particles,
    )


def assert_unbiased(estimates: np.ndarray, exact: np.ndarray, *, at_most: list[float]) -> None:
    """Within 5 SE of the truth, and the SE no more than stated (relative), so that it tells."""
    relative = estimates / exact
    error = relative.std(axis=0, ddof=1) / math.sqrt(len(estimates))
    assert (error < at_most).all(), error
    assert (np.abs(relative.mean(axis=0) - 1.0) < 5.0 * error).all(), (relative.mean(0), error)


@pytest.mark.parametrize("name", list(WORLDS))
@pytest.mark.parametrize("run", [run_level, run_rehearsed, run_adaptive])
def test_estimates_are_unbiased(run, name: str, seed_offset: int) -> None:
    world = WORLDS[name](100 + seed_offset)
    at = thresholds_of(name, world)
    particles = 600 if run is run_adaptive else 3_000
    found = [run(name, world, n, particles=particles).exceedance(at) for n in range(30)]
    relative = np.array(found) / world.tail(at)
    assert_unbiased(relative[:, :2], np.ones(2), at_most=[0.08, 0.2])
    # At 1e-7 a few runs make up for many that are too low, and 30 cannot tell how far their mean
    # may be below the truth: the nightly thousands can. Rehearsals do not hear of the second mode:
    # less is told of it.
    deep = relative[:, 2]
    error = deep.std(ddof=1) / math.sqrt(deep.size)
    assert error < (1.0 if run is run_rehearsed else 0.5)
    assert deep.mean() - 1.0 < 5.0 * error


@pytest.mark.nightly
@pytest.mark.parametrize("name", list(WORLDS))
@pytest.mark.parametrize("run", [run_level, run_rehearsed, run_adaptive])
def test_estimates_are_unbiased_to_a_hundredth(run, name: str, seed_offset: int) -> None:
    world = WORLDS[name](200 + seed_offset)
    at = thresholds_of(name, world)
    particles = 600 if run is run_adaptive else 3_000
    # Rehearsals do not hear of the second mode: it takes more of them to tell as much at 1e-7.
    runs = 3_000 if run is run_rehearsed else 1_500
    found = [run(name, world, n, particles=particles).exceedance(at) for n in range(runs)]
    assert_unbiased(np.array(found), world.tail(at), at_most=[0.01, 0.02, 0.05])


@pytest.mark.parametrize("run", [run_level, run_adaptive])
def test_hardly_any_flights_spread_much_but_have_no_bias(run, seed_offset: int) -> None:
    world = sums(300 + seed_offset)
    at = world.thresholds([0.3, 0.02])
    found = [run("sums", world, n, particles=3).exceedance(at) for n in range(300)]
    assert_unbiased(np.array(found), world.tail(at), at_most=[0.15, 0.6])


@pytest.mark.parametrize("run", [run_level, run_adaptive])
def test_no_estimate_beyond_the_highest_score(run) -> None:
    world = steps(5)
    found = run("steps", world, 0, particles=400).exceedance(np.array([TOP, TOP + 1.0, math.inf]))
    np.testing.assert_array_equal(found, 0.0)


def test_the_kill_rule_ends_where_all_flights_tie() -> None:
    found = run_adaptive("steps", steps(6), 0, particles=400)
    assert found.levels[-1] == TOP - 0.5
    assert set(found.scores[-1]) == {TOP}
    # Ties are killed together: no level is there twice.
    assert len(set(found.levels)) == len(found.levels)


def test_the_kill_rule_stops_at_a_score() -> None:
    world = sums(7)
    whole = run_adaptive("sums", world, 0, particles=200)
    stopped = adaptive_run(
        world,
        particles=200,
        rng=np.random.default_rng([0, 7]),
        lowest=3e-8,
        highest=2.0,
        killed=0.2,
        moves_each=6,
    )
    assert stopped.levels == whole.levels[: len(stopped.levels)]
    assert stopped.levels[-1] < 2.0 <= whole.levels[len(stopped.levels)]
    at = np.array([0.0, 1.0, 1.9])
    np.testing.assert_array_equal(stopped.exceedance(at), whole.exceedance(at))


@pytest.mark.parametrize("run", [run_level, run_adaptive])
def test_a_score_that_does_not_vary_ends_at_once(run) -> None:
    world = constant()
    found = (
        level_run(world, levels=np.array([2.0, 3.0]), particles=50, rng=np.random.default_rng(1))
        if run is run_level
        else run("constant", world, 0, particles=50)
    )
    assert found.flights == 50
    np.testing.assert_array_equal(found.exceedance(np.array([1.9, 2.0, 2.1])), [1.0, 0.0, 0.0])


def test_near_one_every_flight_counts(seed_offset: int) -> None:
    world = sums(8 + seed_offset)
    at = world.thresholds([1.0 - 1e-9, 0.999, 0.9])
    found = run_level("sums", world, 0, particles=20_000).exceedance(at)
    assert found[0] == 1.0
    for share, chance in zip(found[1:], [0.999, 0.9], strict=True):
        hits = round(share * 20_000)
        assert stats.binomtest(hits, 20_000, chance).pvalue > 1e-6


@pytest.mark.parametrize("particles", [0, -5])
def test_no_flights_are_refused(particles: int) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(UsageError, match="particles: expected at least 1"):
        level_run(sums(), levels=np.array([1.0]), particles=particles, rng=rng)
    with pytest.raises(UsageError, match="particles: expected at least 1"):
        adaptive_run(sums(), particles=particles, rng=rng, lowest=0.1)


@pytest.mark.parametrize("levels", [[1.0, 1.0], [2.0, 1.0], [1.0, math.nan]])
def test_levels_that_do_not_rise_are_refused(levels: list[float]) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(UsageError, match="levels: expected numbers that rise"):
        level_run(sums(), levels=np.array(levels), particles=10, rng=rng)


@pytest.mark.parametrize("particles", [1, 7, 20, 39, 500, 900])
def test_every_stage_has_its_flights(particles: int) -> None:
    found = run_level("sums", sums(9), 3, particles=particles)
    assert all(scores.size >= particles for scores in found.scores)
    assert all(scores.size < particles + 40 for scores in found.scores)
    assert found.flights == sum(scores.size for scores in found.scores)
    for level, scores in zip(found.levels, found.scores, strict=True):
        assert scores[0] > level


# Moves.


def moved(world, particles: Particles, *, moves: Moves, times: int, seed: int) -> Particles:
    rng = np.random.default_rng(seed)
    for step in range(1, times + 1):
        particles, kept = move(
            world,
            particles,
            moves=moves,
            rng=rng,
            first_version=step * len(particles),
            level=-math.inf,
        )
        assert kept == len(particles)
    return particles


class Peeking:
    """The mistake: an entity is drawn anew only where it is a low one, found by looking."""

    def __init__(self, world: ToyWorld) -> None:
        self.world = world

    def propose(self, rng, versions, *, fresh):
        flights = np.arange(len(versions), dtype=np.uint32)
        tried = versions.copy()
        tried[:, rng.integers(20)] = fresh
        better = self.world.scores(flights, tried) > self.world.scores(flights, versions)
        return np.where(better[:, None], tried, versions)


def test_moves_without_a_level_keep_the_law(seed_offset: int) -> None:
    world = two_modes(11 + seed_offset)
    start = fresh_particles(world, first_flight=0, count=20_000)
    end = moved(world, start, moves=Moves.of(world), times=20, seed=12 + seed_offset)
    below = stats.ks_1samp(end.scores, lambda x: 1.0 - world.tail(x))
    assert below.pvalue > 1e-6
    assert (end.scores != start.scores).mean() > 0.99


def test_choosing_by_looking_breaks_the_law() -> None:
    world = sums(13)
    start = fresh_particles(world, first_flight=0, count=5_000)
    end = moved(world, start, moves=Peeking(world), times=5, seed=14)
    assert stats.ks_1samp(end.scores, lambda x: 1.0 - world.tail(x)).pvalue < 1e-20


def test_moves_above_a_level_keep_the_law_above_it(seed_offset: int) -> None:
    world = sums(15 + seed_offset)
    level = float(world.thresholds([0.05])[0])
    start = fresh_particles(world, first_flight=0, count=60_000)
    alive = start.take(np.flatnonzero(start.scores > level))
    rng, steps_each = np.random.default_rng(16 + seed_offset), 20
    for step in range(1, steps_each + 1):
        alive, _ = move(
            world, alive, moves=Moves.of(world), rng=rng, first_version=step * 60_000, level=level
        )
    assert (alive.scores > level).all()
    # They started independent, and each has gone its own way: independent still.
    law = stats.ks_1samp(alive.scores, lambda x: 1.0 - world.tail(x) / 0.05)
    assert law.pvalue > 1e-6


def test_moves_of_whole_flights_keep_their_law(seed_offset: int) -> None:
    model = prepare(shipped_scenario())
    score = envelope_score(model, side="aft")
    world = ScoredFlights(model, score, 17 + seed_offset)
    start = fresh_particles(world, first_flight=0, count=1_000)
    end = moved(world, start, moves=Moves.of(world), times=20, seed=18 + seed_offset)
    assert (end.scores != start.scores).mean() > 0.99
    rows = fly_block(model, seed=world.seed, flights=end.flights, versions=end.versions)
    np.testing.assert_array_equal(score.of(rows), end.scores)
    others = np.arange(10_000, 13_000, dtype=np.uint32)
    fresh = fly_block(model, seed=world.seed, flights=others)
    assert stats.ks_2samp(end.scores, score.of(fresh)).pvalue > 1e-6
    for name in (
        "aircraft",
        "passengers",
        "zero_fuel_mass_kg",
        "zero_fuel_cg_pct_mac",
        "landing_cg_pct_mac",
        "take_off_error_kgm.seating",
        "error_min_pct_mac.in_flight",
        "error_max_pct_mac.in_flight",
        "moment_margin_kgm.cruise.aft",
        "time_of_least_s.cruise.forward",
    ):
        place = model.columns.index(name)
        assert stats.ks_2samp(rows[:, place], fresh[:, place]).pvalue > 1e-6, name


@pytest.mark.parametrize("run", [run_level, run_adaptive])
def test_versions_are_never_used_twice(run, monkeypatch) -> None:
    """No (flight, version) pair comes back, so no (flight, version, entity) can."""
    used: set[tuple[int, int]] = set()
    real = splitting.move

    def watched(world, particles, *, first_version, **named):
        fresh = first_version + np.arange(len(particles))
        pairs = set(zip(particles.flights.tolist(), fresh.tolist(), strict=True))
        assert len(pairs) == len(particles)
        assert not pairs & used
        assert fresh.min() > 0  # 0 is that of the fresh flights
        used.update(pairs)
        after, kept = real(world, particles, first_version=first_version, **named)
        anew = after.versions != particles.versions
        assert (after.versions[anew] == np.broadcast_to(fresh[:, None], anew.shape)[anew]).all()
        return after, kept

    monkeypatch.setattr(splitting, "move", watched)
    found = run("sums", sums(19), 1, particles=130)
    assert len(used) == found.flights - 130


def test_too_many_versions_are_refused() -> None:
    world = sums(20)
    start = fresh_particles(world, first_flight=0, count=4)
    named = {"moves": Moves.of(world), "rng": np.random.default_rng(1), "level": 0.0}
    move(world, start, first_version=2**31 - 4, **named)
    with pytest.raises(ComputationError, match="too many moves for the versions"):
        move(world, start, first_version=2**31 - 3, **named)


# Spread, and what is kept.


def test_replicates_spread_as_their_own_error_says(seed_offset: int) -> None:
    """The variance of means of ten is a tenth of the variance within the tens (F at 1e-6)."""
    world = sums(21 + seed_offset)
    at = world.thresholds([1e-2])

    def run(number: int) -> SplitRun:
        return level_run(
            world,
            levels=world.thresholds([0.2, 0.04]),
            particles=500,
            rng=np.random.default_rng([number, 21]),
            first_flight=number * 500,
        )

    found = np.array([run(n).exceedance(at)[0] for n in range(200)]).reshape(20, 10)
    stated = found.var(axis=1, ddof=1).mean() / 10.0
    ratio = float(found.mean(axis=1).var(ddof=1) / stated)
    assert stats.f.ppf(1e-6, 19, 180) < ratio < stats.f.isf(1e-6, 19, 180)


@pytest.mark.parametrize("name", list(WORLDS))
@pytest.mark.parametrize("keep", [1, 30, 10_000])
def test_kept_flights_stand_for_all_others(name: str, keep: int) -> None:
    world = WORLDS[name](22)
    run = run_level(name, world, 0, particles=600, keep=keep)
    weights = np.concatenate(
        [np.full(len(p), w) for p, w in zip(run.kept, run.kept_weight, strict=True)]
    )
    kept = Particles.joined(list(run.kept))
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_array_equal(world.scores(kept.flights, kept.versions), kept.scores)
    if keep == 10_000:
        at = np.concatenate([np.linspace(-3.0, 5.0, 41), run.levels[1:]])
        found = weighted_exceedance(kept.scores, weights=weights, thresholds=at)
        np.testing.assert_allclose(found, run.exceedance(at), rtol=1e-12, atol=1e-18)


def test_few_kept_flights_are_unbiased_too(seed_offset: int) -> None:
    world = two_modes(23 + seed_offset)
    at = world.thresholds([0.3, 1e-2, 1e-4])
    found = []
    for number in range(40):
        run = run_level("two modes", world, number, particles=600, keep=40)
        kept = Particles.joined(list(run.kept))
        weights = np.repeat(run.kept_weight, [len(p) for p in run.kept])
        found.append(weighted_exceedance(kept.scores, weights=weights, thresholds=at))
    assert_unbiased(np.array(found), world.tail(at), at_most=[0.1, 0.25, 0.5])


def test_weighted_exceedance_by_hand() -> None:
    scores = np.array([1.0, math.nan, 3.0, 2.0, 2.0])
    weights = np.array([0.5, 0.0, 0.1, 0.2, 0.2])
    at = np.array([0.0, 1.0, 1.5, 2.0, 2.5, 3.0])
    found = weighted_exceedance(scores, weights=weights, thresholds=at)
    np.testing.assert_allclose(found, [1.0, 0.5, 0.5, 0.1, 0.1, 0.0], atol=1e-15)


# Replicates.


def test_interval_of_replicates_by_hand() -> None:
    each = np.array([[1e-4, 0.0, 0.9], [3e-4, 0.0, 1.0]])
    mean, low, high = replicate_interval(each, confidence=0.95)
    # Student's t of one degree of freedom at 97.5 %: tan(0.475 pi).
    half = math.tan(0.475 * math.pi) * 1e-4 / 2e-4
    assert mean[0] == pytest.approx(2e-4)
    assert low[0] == pytest.approx(2e-4 * math.exp(-half))
    assert high[0] == pytest.approx(min(2e-4 * math.exp(half * (1.0 + 0.5 * half)), 1.0))
    assert math.isnan(mean[1])
    assert (low[1], high[1]) == (0.0, 1.0)
    assert high[2] == 1.0


def test_one_replicate_has_no_interval() -> None:
    with pytest.raises(UsageError, match="replicates: expected at least 2"):
        replicate_interval(np.array([[0.1, 0.2]]))


def whole(runs: list[SplitRun]) -> SplitTail:
    stratum = Stratum("none", 1.0, prepare(shipped_scenario()))
    return SplitTail((stratum,), (1,), tuple((run,) for run in runs), 0, 0.95, "levels given")


def test_certainty_is_not_claimed_from_flights() -> None:
    """All of 1,000 flights above a threshold: the exact lower bound is 0.025 ** (1 / 1000)."""
    world = sums(24)
    tail = whole([run_level("sums", world, n, particles=100) for n in range(10)])
    found = tail.estimate(np.array([-9.0, 0.0, 1.0]))
    assert found.estimate[0] == found.high[0] == 1.0
    assert found.low[0] == pytest.approx(0.025 ** (1.0 / 1_000.0))


def test_nothing_seen_has_the_bound_of_what_was_seen_last() -> None:
    world = steps(25)
    tail = whole([run_level("steps", world, n, particles=200) for n in range(10)])
    found = tail.estimate(np.array([3.0, 3.5, TOP, TOP + 1.0]))
    assert (found.estimate[2:] == 0.0).all()
    assert (found.low[2:] == 0.0).all()
    assert (found.high[2:] == found.high[1]).all()
    assert any("no flight was seen above 4.5" in text for text in found.warnings)


# Whole flights, a small cabin.


def small_question(seed: int = 26, **named) -> Question:
    model = prepare(edited(SMALL))
    score = envelope_score(model, side="aft")
    return Question(model=model, score=score, seed=seed, **named)


def test_a_curve_that_ends_at_its_target_goes_beyond_it() -> None:
    """To a quarter of it, so that the interval's upper end is read too; others end as asked."""
    question = small_question(target=1e-2, deepest=1e-2)
    pilot = fly_pilot(question)
    further = pilot.threshold(0.25e-2)
    assert further > pilot.threshold(1e-2)
    assert further in curve_thresholds(pilot, question=question)
    deeper = small_question(target=1e-1, deepest=1e-2)
    assert further not in curve_thresholds(pilot, question=deeper)


def test_threads_change_no_bit() -> None:
    found = []
    for jobs in (1, 3):
        question = small_question(target=1e-3, deepest=1e-4, jobs=jobs)
        pilot = fly_pilot(question)
        tail = split_tail(question, pilot=pilot, particles=250)
        cloud = cloud_of([tail])
        scores = fly_cloud(cloud, strata=pilot.strata, score=question.score, jobs=jobs)
        at = pilot.candidates()
        weights = cloud.weights(pilot.strata)
        found.append((pilot.exceedance(at), tail.by_replicate(at), weights, scores))
        # Replicates share no flight.
        for number, (run,) in enumerate(tail.replicates):
            kept = np.concatenate([p.flights for p in run.kept])
            assert (kept // 250 == number).all()
        sums_of = np.bincount(cloud.replicate(), weights=weights)
        np.testing.assert_allclose(sums_of, 0.1, rtol=1e-12)
        np.testing.assert_array_equal(
            scores, np.concatenate([p.scores for (run,) in tail.replicates for p in run.kept])
        )
    for other in found[1:]:
        for mine, theirs in zip(found[0], other, strict=True):
            np.testing.assert_array_equal(mine, theirs)


def test_a_trial_sizes_the_replicates_and_is_not_used_again(monkeypatch) -> None:
    world = sums(27)
    for module in (multilevel, trial_flights):
        monkeypatch.setattr(module, "ScoredFlights", lambda *_: world)
    question = small_question(target=1e-2, deepest=1e-3, relative_error=0.15, jobs=1)
    pilot = fly_pilot(question)
    seen: list[tuple[int, int]] = []
    real = multilevel.level_run

    def watched(_world, *, particles, first_flight, **named):
        seen.append((first_flight, particles[0]))  # fresh flights: those of the first stage
        return real(_world, particles=particles, first_flight=first_flight, **named)

    monkeypatch.setattr(multilevel, "level_run", watched)
    tail = split_tail(question, pilot=pilot)
    assert len(tail.replicates) == 10
    assert len(seen) == 20
    assert len({particles for _, particles in seen[:10]}) == 1
    assert len({particles for _, particles in seen[10:]}) == 1
    # No flight number twice, in the trial or after it.
    ends = sorted((first, first + particles) for first, particles in seen)
    assert all(end <= start for (_, end), (start, _) in itertools.pairwise(ends))
    assert tail.pilot_flights > pilot.flights
    assert tail.flights == tail.pilot_flights + sum(run.flights for (run,) in tail.replicates)
    again = split_tail(question, pilot=pilot)
    at = world.thresholds([1e-2, 1e-3])
    np.testing.assert_array_equal(tail.by_replicate(at), again.by_replicate(at))


def test_a_target_far_from_met_takes_larger_runs_then_more(monkeypatch) -> None:
    world = sums(28)
    for module in (multilevel, trial_flights):
        monkeypatch.setattr(module, "ScoredFlights", lambda *_: world)
    monkeypatch.setattr(multilevel, "_MOST", 600)
    question = small_question(target=1e-2, deepest=1e-2, relative_error=0.06, jobs=1)
    tail = split_tail(question, pilot=fly_pilot(question))
    assert len(tail.replicates) > 10
    at = world.thresholds([1e-2])
    found = tail.estimate(at)
    assert 0.03 < found.relative_error()[0] < 0.12
    few = small_question(target=1e-2, deepest=1e-2, relative_error=0.06, most_flights=30_000)
    held = split_tail(few, pilot=fly_pilot(few))
    assert held.flights < 45_000


def pilot_of(scores: list[np.ndarray]) -> Pilot:
    """A pilot that only flew, and split nothing."""
    stratum = Stratum("none", 1.0, prepare(shipped_scenario()))
    runs = tuple(
        SplitRun((-math.inf,), (1.0,), (np.sort(s),), s.size, (), (s.size,)) for s in scores
    )
    return Pilot((stratum,), (runs,), sum(s.size for s in scores))


def test_levels_stop_where_the_pilot_stops() -> None:
    pilot = pilot_of([np.arange(100.0), np.arange(100.0)])
    found = levels_of(pilot, stratum=0, deepest=1e-9)
    np.testing.assert_array_equal(found, [79.0, 95.0])  # a fifth and a twenty-fifth are above
    assert pilot.threshold(0.2) == 79.0
    assert pilot.threshold(1e-6) == 99.0  # its highest score


def test_levels_of_a_pilot_in_steps_rise() -> None:
    scores = np.repeat([0.0, 1.0, 2.0], [150, 149, 1])
    found = levels_of(pilot_of([scores]), stratum=0, deepest=1e-3)
    assert found.tolist() == sorted(set(found.tolist()))
    assert (found < 2.0).all()
