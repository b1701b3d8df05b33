"""Speed as ratios measured side by side; run with `pytest -s -m benchmark`."""

from __future__ import annotations

import itertools
import subprocess
import sys
import time
from typing import Any

import numpy as np
import pytest

from cgrisk.flight import entity_counts, fly_block, prepare
from cgrisk.sampling import (
    BLOCK,
    Block,
    fly_blocks,
    layout_of,
    merge_tallies,
    pack_block,
    tally_rows,
)
from cgrisk.sampling.tally import pack_outcomes
from tests.flight_cases import edited, shipped_scenario
from tests.oracles import simpy_flight
from tests.simpy_cases import certain
from tests.twin_cases import twin_scenario

pytestmark = pytest.mark.benchmark


def _seconds(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _per_flight(model, flights=8000) -> float:
    numbers = np.arange(flights, dtype=np.uint32)
    fly_block(model, seed=1, flights=numbers[:50])
    return min(_seconds(lambda: fly_block(model, seed=1, flights=numbers)) for _ in range(5)) / (
        flights
    )


def _words(scenario) -> int:
    """Random words that a flight of the shipped case draws, counted from its rules.

    Four an entity for everything drawn for all at once; four more for each attempt to get up, each
    companion asked, each walk of a crew member: at least one for each trip.
    """
    model = prepare(scenario)
    rows = fly_block(model, seed=1, flights=np.arange(2000, dtype=np.uint32))
    trips = rows[:, model.columns.index("trips")].mean()
    return 4 * int(sum(entity_counts(model).values()) + trips)


def test_a_flight_costs_a_few_times_its_random_numbers():
    """Against numpy's generator drawing as many words, one flight at a time."""
    scenario = shipped_scenario()
    model, words = prepare(scenario), _words(scenario)
    generator = np.random.default_rng(1)
    ratios = []
    for _ in range(5):
        flown = _per_flight(model)
        drawn = _seconds(lambda: [generator.random(words) for _ in range(8000)]) / 8000
        ratios.append(flown / drawn)
    sys.stdout.write(f"flight over its {words} random words: {np.median(ratios):.2f}\n")
    assert np.median(ratios) < 10.0


def test_a_hundred_times_as_fast_as_the_simpy_version():
    """The same flights, load doubts left out, on one thread each."""
    scenario = certain({})
    fast = _per_flight(prepare(scenario))
    slow = min(
        _seconds(lambda: simpy_flight.fly(scenario, seed=1, flights=60)) / 60 for _ in range(3)
    )
    sys.stdout.write(f"SimPy {1 / slow:.0f} flights/s, kernel {1 / fast:.0f}: {slow / fast:.0f}x\n")
    assert slow / fast > 100.0


def test_two_threads_are_nearly_twice_as_fast():
    model = prepare(shipped_scenario())
    ratios = []
    for _ in range(5):
        one, two = (
            _seconds(lambda jobs=jobs: list(fly_blocks(model, seed=1, flights=81_920, jobs=jobs)))
            for jobs in (1, 2)
        )
        ratios.append(one / two)
    sys.stdout.write(f"one thread over two: {np.median(ratios):.2f}\n")
    assert np.median(ratios) > 1.8


def _cabin(rows: int, adults: int, rate: float) -> Any:
    half = rows // 2
    return edited(
        {
            "aircraft.cabin.rows": [{"rows": f"1-{rows}", "pitch": 0.25, "seats": None,
                                     "cabin_class": "economy"}],
            "aircraft.cabin.lavatories": [
                {"name": "fore", "arm": 6.0, "count": 4, "queue_toward": "aft"},
                {"name": "aft", "arm": 34.0, "count": 4, "queue_toward": "fore"},
            ],
            "operation.service.carts": [],
            "operation.parties": [],
            "operation.zones": [
                {"name": "A", "rows": f"1-{half}", "adults": adults // 2, "children": 0},
                {"name": "B", "rows": f"{half + 1}-{rows}", "adults": adults - adults // 2,
                 "children": 0},
            ],
            "operation.behaviour.trips_window": rate,
            "operation.behaviour.trips_middle": rate,
            "operation.behaviour.trips_aisle": rate,
        }
    )  # fmt: skip


def test_cost_is_linear_in_passengers_and_trips():
    cost = {}
    for people in (150, 300, 600):
        scenario = _cabin(rows=people // 6 + 4, adults=people, rate=0.15)
        cost[people] = _per_flight(prepare(scenario), flights=3000)
    sys.stdout.write(f"us a flight by passengers: { {k: 1e6 * v for k, v in cost.items()} }\n")
    assert cost[300] / cost[150] < 2.6
    assert cost[600] / cost[300] < 2.6
    by_rate = {r: _per_flight(prepare(_cabin(29, 150, r)), flights=3000) for r in (0.1, 0.2, 0.4)}
    sys.stdout.write(f"us a flight by rate: { {k: 1e6 * v for k, v in by_rate.items()} }\n")
    assert by_rate[0.4] - by_rate[0.2] < 2.6 * (by_rate[0.2] - by_rate[0.1]) + 2e-6


def test_peak_memory_of_a_hundred_thousand_flights(tmp_path):
    """The whole process tree of the command, sampled while it runs (Linux)."""
    code = (
        "from cgrisk.cli.main import main; import sys; "
        f"sys.exit(main(['run', '--flights', '100000', '--seed', '1', '--jobs', '2', "
        f"'--out', {str(tmp_path / 'run')!r}]))"
    )
    watch = (
        "import resource, subprocess, sys; "
        "p = subprocess.run([sys.executable, '-c', sys.argv[1]], capture_output=True); "
        "print(p.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", watch, code], capture_output=True, text=True, check=True
    )
    status, peak_kib = done.stdout.split()
    sys.stdout.write(f"peak {int(peak_kib) / 1024:.0f} MiB\n")
    assert status == "0"
    assert int(peak_kib) < 1024 * 1024


def test_tallying_costs_little_beside_flying():
    """A block's tally, its packing and its merging over the time it takes to fly it."""
    model = prepare(shipped_scenario())
    layout = layout_of(model)
    numbers = np.arange(BLOCK, dtype=np.uint32)
    rows = fly_block(model, seed=1, flights=numbers)
    flown = min(_seconds(lambda: fly_block(model, seed=1, flights=numbers)) for _ in range(5))

    def tally() -> None:
        part, outcomes = tally_rows(rows, layout=layout, first_flight=0)
        pack_block(Block(0, part, pack_outcomes(outcomes), None))
        merge_tallies(part, part)

    ratio = min(_seconds(tally) for _ in range(5)) / flown
    sys.stdout.write(f"tally, packing and merging over flying a block: {ratio:.3f}\n")
    assert ratio < 0.15


def test_a_second_run_reaches_its_first_block_soon(tmp_path):
    """From the start of the process until it flies its first block; the machine otherwise idle."""
    model = prepare(shipped_scenario())
    flown = BLOCK * _per_flight(model, flights=BLOCK)
    seconds = []
    for trial in range(4):
        out = tmp_path / str(trial)
        words = ["run", "--flights", "400000", "--seed", "1", "--jobs", "1", "--out", str(out)]
        code = "import sys; from cgrisk.cli import command; sys.exit(command())"
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        start = time.perf_counter()
        process = subprocess.Popen([sys.executable, "-c", code, *words], **quiet)
        while not list(out.glob("blocks/*.block")):
            time.sleep(0.005)
        seconds.append(time.perf_counter() - start)
        process.kill()
        process.wait()
    begun = min(seconds) - flown
    sys.stdout.write(
        f"first block on disk after {min(seconds):.2f} s, of which {flown:.2f} s flying it\n"
    )
    assert begun < 2.0


def test_memory_does_not_grow_with_flights(tmp_path):
    """The blocks of a hundred million flights through the store of a run, flown only once.

    64 blocks are flown; their tallies are handed in again and again under new numbers, which is
    all that the process that gathers them sees of a longer run.
    """
    code = (
        "import dataclasses, resource, sys\n"
        "from cgrisk.runs import fly_run, inputs_of, open_run\n"
        "from cgrisk.sampling import BLOCK, fly_blocks\n"
        "from tests.flight_cases import shipped_scenario\n"
        "flights, out = int(sys.argv[1]), sys.argv[2]\n"
        "inputs = inputs_of(shipped_scenario(), seed=1, flights=flights, rows=False)\n"
        "with open_run(out, inputs=inputs) as run:\n"
        "    many = {'seed': 1, 'flights': 64 * BLOCK, 'jobs': 2, 'keep_rows': False}\n"
        "    few = list(fly_blocks(run.model, **many))\n"
        "    def fly(numbers, _):\n"
        "        return (dataclasses.replace(few[n % 64], number=n) for n in numbers)\n"
        "    sample = fly_run(run, fly=fly)\n"
        "assert sample.flights == flights\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)\n"
    )
    peaks = []
    for flights in (64 * BLOCK, 24_415 * BLOCK):
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", code, str(flights), str(tmp_path / str(flights))],
            capture_output=True,
            text=True,
            check=True,
        )
        peaks.append(float(done.stdout))
        sys.stdout.write(
            f"{flights:,} flights: peak {peaks[-1]:.2f} GiB, {time.perf_counter() - start:.0f} s\n"
        )
    assert peaks[1] < 2.0
    assert peaks[1] < peaks[0] + 0.5


def test_trim_and_take_off_add_little():
    """The same flights with and without trim, side by side."""
    bare = {"aircraft.aerodynamics": None, "aircraft.ground_run": None, "aircraft.stabilizer": None}
    whole, less = prepare(shipped_scenario()), prepare(edited(bare))
    ratios = [_per_flight(whole, flights=2000) / _per_flight(less, flights=2000) for _ in range(5)]
    sys.stdout.write(f"a flight with trim and take-off over one without: {np.median(ratios):.2f}\n")
    assert np.median(ratios) < 1.6


def _long_cabin(people: int, hours: float, lavatories: int) -> Any:
    """The shipped twin aisle made longer: rows in the same pitch of seats, lavatories in fours."""
    rows = -(-people * 298 // (250 * 8))
    groups = max(1, lavatories // 4)
    first, pitch = 8.2, 0.81
    last = first + pitch * (rows - 1)
    phases = twin_scenario().resolved()["operation"]["phases"]
    cruise = [i for i, phase in enumerate(phases) if phase["kind"] == "cruise"]
    minutes = sum(phases[i]["minutes"] for i in cruise)
    factor = (60.0 * hours - sum(p["minutes"] for p in phases) + minutes) / minutes
    for i in cruise:
        phases[i] |= {"minutes": phases[i]["minutes"] * factor, "crew_resting": 0}
        phases[i]["fuel_flow"] /= factor
    half = rows // 2
    adults = min(people // 2, 8 * half)
    return twin_scenario(
        {
            "aircraft.cabin.rows": [
                {"rows": f"1-{rows}", "pitch": pitch, "seats": None, "cabin_class": "economy"}
            ],
            "aircraft.cabin.first_row_arm": first,
            "aircraft.cabin.lavatories": [
                {"name": f"group {g}", "count": 4, "queue_toward": "aft",
                 "arm": first + (last - first) * (g + 0.5) / groups + 0.3}
                for g in range(groups)
            ],
            "aircraft.cabin.galleys": [
                {"name": "forward galley", "arm": first - 2.0, "standing": 6},
                {"name": "aft galley", "arm": last + 2.0, "standing": 6},
            ],
            "operation.classes": [],
            "operation.parties": [],
            "operation.service.carts": [],
            "operation.phases": phases,
            "operation.zones": [
                {"name": "A", "rows": f"1-{half}", "adults": adults, "children": 0},
                {"name": "B", "rows": f"{half + 1}-{rows}", "adults": people - adults,
                 "children": 0},
            ],
        }
    )  # fmt: skip


def _cost_and_trips(scenario: Any) -> tuple[float, float]:
    model = prepare(scenario)
    rows = fly_block(model, seed=1, flights=np.arange(200, dtype=np.uint32))
    trips = float(rows[:, model.columns.index("trips")].mean())
    return _per_flight(model, flights=600), trips


def test_a_twin_aisle_costs_in_proportion_to_its_trips():
    """Passengers to 600, hours to 16, lavatories to 16: cost a trip, each beside the one before."""
    base = _per_flight(prepare(shipped_scenario()), flights=2000)
    twin, trips = _cost_and_trips(twin_scenario())
    sys.stdout.write(
        f"twin aisle {1 / twin:.0f} flights/s with {trips:.0f} trips, {twin / base:.1f} times the "
        "single aisle\n"
    )
    assert twin / base < 16.0
    ladders = {
        "passengers": [(150, 9.0, 8), (300, 9.0, 8), (600, 9.0, 8)],
        "hours": [(300, 4.0, 8), (300, 8.0, 8), (300, 16.0, 8)],
        "lavatories": [(300, 9.0, 4), (300, 9.0, 8), (300, 9.0, 16)],
    }
    for name, ladder in ladders.items():
        found = [_cost_and_trips(_long_cabin(*step)) for step in ladder]
        told = [f"{1e6 * cost:.0f} us, {n:.0f} trips" for cost, n in found]
        sys.stdout.write(f"by {name}: {'; '.join(told)}\n")
        per_trip = [cost / n for cost, n in found]
        for before, after in itertools.pairwise(per_trip):
            assert after / before < 1.6, name
