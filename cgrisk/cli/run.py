"""`cgrisk run`: fly a scenario many times, write the run's folder, print the decision."""

from __future__ import annotations

import argparse
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import Progress, answer, duration, say, slug

if TYPE_CHECKING:
    from cgrisk.risk.summary import Summary
    from cgrisk.runs import Manifest, RunFolder, RunInputs
    from cgrisk.runs import Progress as Done
    from cgrisk.runs.fly import Fly
    from cgrisk.scenario import Scenario

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "fly a scenario many times and say how likely it is to leave the CG envelope"
EXAMPLE = "cgrisk run my-case/operation.toml --flights 100000 --seed 1 --jobs 2 --out results/mine"

_FLIGHTS = 10_000
_MOST_FLIGHTS = 10_000_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("scenario", nargs="?", help="operation file or its folder; none: the shipped case")
    add(
        "--flights",
        type=whole,
        help="number of flights (10000); with --precision at most (10 million)",
    )
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads here; -1: one a processor (-1)")
    add("--out", help="folder to write (results/NAME-seedSEED)")
    add("--resume", action="store_true", help="go on with a run that was cut; needs --out")
    add(
        "--precision",
        type=number,
        metavar="R",
        help="stop when the half-width of the interval at the operational limit is R times the "
        "estimate, for instance 0.1",
    )
    add(
        "--side",
        choices=("both", "aft", "forward"),
        help="side whose probability is to be that precise (both)",
    )
    add(
        "--rows",
        action=argparse.BooleanOptionalAction,
        help="keep one row per flight (kept up to 1,000,000 flights)",
    )
    add(
        "--with-entry-errors",
        action="store_true",
        help="tell what the operation's errors on the load sheet would do",
    )
    add("--no-charts", action="store_true", help="write the charts' numbers and draw none")
    add("--cluster", metavar="ADDRESS", help="fly on a dask cluster: its scheduler")
    add("--dry-run", action="store_true", help="say what would be done and about how long it takes")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    import cgrisk.runs  # noqa: F401 - an interrupt must not find it half imported
    from cgrisk.errors import InterruptedRunError

    try:
        return _execute(chosen)
    except KeyboardInterrupt as error:  # before the run was opened, or after it was ended
        raise InterruptedRunError(f"interrupted. {_what_stays(chosen)}") from error


def _what_stays(chosen: argparse.Namespace) -> str:
    from cgrisk.runs import go_on, state_of

    state = state_of(chosen.out) if chosen.out else "free"
    if state in ("begun", "unfinished"):
        return f"What is saved in {chosen.out} stays. Go on: {go_on(chosen.out)}"
    if state == "complete":
        return f"The run in {chosen.out} is complete and unchanged."
    return "Nothing was begun."


def _execute(chosen: argparse.Namespace) -> int:
    from cgrisk.errors import RunFolderError, UsageError
    from cgrisk.runs import check_folder, open_run, read_run, state_of
    from cgrisk.sampling import check_counts

    if chosen.side and chosen.precision is None:
        raise UsageError(
            argument="side",
            expected="--side together with --precision",
            got=chosen.side,
            cure="Add --precision, or leave out --side.",
        )
    if chosen.cluster and chosen.dry_run:
        raise UsageError(
            argument="dry-run",
            expected="an estimate for this machine",
            got="--cluster",
            cure="Leave out --cluster, and divide by the number of its threads over --jobs.",
        )
    if chosen.cluster is not None:
        from cgrisk.sampling.cluster import check_address

        check_address(chosen.cluster)
    check_counts(flights=1 if chosen.flights is None else chosen.flights, jobs=chosen.jobs)
    inputs, folder = _resumed(chosen) if chosen.resume else _fresh(chosen)
    if chosen.dry_run:
        return _dry_run(chosen, inputs, folder)
    before: Manifest | None = None
    if chosen.resume and state_of(folder) == "complete":
        check_folder(folder, inputs=inputs, resume=True)
        try:
            whole = read_run(folder)
            sample = whole.sample()
        except RunFolderError as error:
            say(f"{error}")
        else:
            if chosen.no_charts or any(Path(folder, "charts").glob("*.png")):
                say(f"{folder} is complete: nothing to fly")
                return _tell(chosen, sample, folder, rate=0.0, seconds=0.0)
            say(f"{folder} is complete: drawing its charts")
            before = whole.manifest
    start = time.perf_counter()
    with _one_interrupt(), open_run(folder, inputs=inputs, resume=chosen.resume) as opened:
        summary, rate = _carry_out(chosen, opened, folder, start, before)
    return _tell(chosen, summary, folder, rate=rate, seconds=time.perf_counter() - start)


def _fresh(chosen: argparse.Namespace) -> tuple[RunInputs, str]:
    """Return the inputs of a new run and its folder."""
    from cgrisk.randomness import resolve_seed
    from cgrisk.runs import inputs_of
    from cgrisk.sampling import MOST_ROWS, Precision
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

    seed = resolve_seed(chosen.seed)
    precision = None
    if chosen.precision is not None:
        precision = Precision(chosen.precision, sides=_sides(chosen.side))
    scenario = _asked(chosen, load_scenario(chosen.scenario or shipped_scenarios()[DEFAULT]))
    flights = chosen.flights or (_FLIGHTS if precision is None else _MOST_FLIGHTS)
    rows = flights <= MOST_ROWS if chosen.rows is None else chosen.rows
    folder = (
        f"results/{slug(scenario.name, instead='run')}-seed{seed}"
        if chosen.out is None
        else chosen.out
    )
    inputs = inputs_of(scenario, seed=seed, flights=flights, precision=precision, rows=rows)
    return inputs, folder


def _asked(chosen: argparse.Namespace, scenario: Scenario) -> Scenario:
    """Return the scenario with what the command line asks of it."""
    from cgrisk.scenario import Scenario

    if not chosen.with_entry_errors:
        return scenario
    resolved = scenario.resolved()
    resolved["operation"]["with_entry_errors"] = True
    return Scenario.from_resolved(resolved)


def _resumed(chosen: argparse.Namespace) -> tuple[RunInputs, str]:
    """Return the inputs of a run to go on with, with what was given anew, and its folder."""
    from cgrisk.errors import RunFolderError, UsageError
    from cgrisk.randomness import resolve_seed
    from cgrisk.runs import inputs_of, read_inputs
    from cgrisk.sampling import Precision
    from cgrisk.scenario import load_scenario

    if chosen.out is None:
        raise UsageError(
            argument="resume",
            expected="--out with the folder of the run",
            got="no --out",
            cure="Name the folder: cgrisk run --resume --out DIR",
        )
    given = (chosen.scenario, chosen.seed, chosen.flights)
    try:
        begun = read_inputs(chosen.out)
    except RunFolderError:
        if None in given:
            raise
        return _fresh(chosen)  # its own inputs are lost, and were given again
    shown = f"{chosen.out}/inputs.json"
    precision = begun.read_precision(shown=shown)
    if chosen.precision is not None:
        precision = Precision(chosen.precision, sides=_sides(chosen.side))
    scenario = begun.read_scenario(shown=shown)
    if chosen.scenario:
        scenario = _asked(chosen, load_scenario(chosen.scenario))
    now = inputs_of(
        scenario,
        seed=begun.seed if chosen.seed is None else resolve_seed(chosen.seed),
        flights=chosen.flights or begun.flights,
        precision=precision,
        rows=begun.rows if chosen.rows is None else chosen.rows,
    )
    return now, chosen.out


def _sides(side: str | None) -> tuple[str, ...]:
    return ("forward", "aft") if side in (None, "both") else (side,)


@contextmanager
def _one_interrupt() -> Iterator[None]:
    """Take the first request to stop for an interrupt, which says what is saved; then no other."""
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    signals = [getattr(signal, name) for name in names]
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_signal: int, _frame: object) -> None:
        for number in signals:
            signal.signal(number, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = [signal.signal(number, interrupt) for number in signals]
    try:
        yield
    finally:
        for number, handler in zip(signals, before, strict=True):
            signal.signal(number, handler)


def _fly(chosen: argparse.Namespace, run: RunFolder) -> Fly:
    """Return what flies blocks: threads here, or a cluster."""
    from cgrisk.sampling import fly_blocks

    seed, flights, layout = run.inputs.seed, run.inputs.flights, run.layout
    if chosen.cluster:
        from cgrisk.sampling.cluster import fly_on_cluster

        return lambda numbers, keep_rows: fly_on_cluster(
            run.model,
            seed=seed,
            flights=flights,
            numbers=numbers,
            layout=layout,
            address=chosen.cluster,
            keep_rows=keep_rows,
        )
    return lambda numbers, keep_rows: fly_blocks(
        run.model,
        seed=seed,
        flights=flights,
        numbers=numbers,
        layout=layout,
        jobs=chosen.jobs,
        keep_rows=keep_rows,
    )


def _carry_out(
    chosen: argparse.Namespace,
    run: RunFolder,
    folder: str,
    start: float,
    before: Manifest | None = None,
) -> tuple[Summary, float]:
    """Fly, sum up, publish; ``before`` is what a run was that only wants its charts."""
    from cgrisk.risk.running import running_text
    from cgrisk.runs import fly_run
    from cgrisk.sampling import warm_up
    from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT

    inputs = run.inputs
    limit = "at most " if inputs.precision else ""
    name = run.model.scenario.name
    say(f"{name}: {limit}{inputs.flights:,} flights, seed {inputs.seed}, into {folder}")
    progress = Progress()
    precision = inputs.read_precision(shown=folder)
    reading = AS_PLANNED if inputs.precision is None else AT_LIMIT
    first: list[float] = []
    flown = [0]

    def on_progress(done: Done) -> None:
        if not first:
            first.append(time.perf_counter() - start)
        flown[0] = done.flown
        text = running_text(done.hits, flights=done.flights, reading=reading)
        part = done.flights / inputs.flights
        if precision is not None:
            part = max(part, min(done.seen.values()) / precision.hits)
            text = f"hits {done.seen} of {precision.hits}  {text}"
        progress.show(done.flights, flown=done.flown, part=part, text=text)

    progress.begin("compiling the kernel (once) ...")
    ready = warm_up(run.model)
    progress.begin(f"kernel ready after {ready:.1f} s")
    sample = fly_run(run, fly=_fly(chosen, run), on_progress=on_progress)
    rate = progress.end()
    for note in run.notes:
        say(note)
    if chosen.resume:
        say(f"{sample.flights - flown[0]:,} flights were saved, {flown[0]:,} flown now")
    done = time.perf_counter()

    from cgrisk.report.publish import publish
    from cgrisk.risk.summary import summarise

    run.clear_tables()
    summary = summarise(sample)
    publish(run.place, summary=summary, store=run.store, pictures=not chosen.no_charts)
    end = time.perf_counter()
    if before is not None:
        seconds = {**before.seconds, "charts_drawn_later": end - done}
        run.finish(sample, seconds=seconds, settings=before.settings, created=before.created)
        return summary, rate
    run.finish(
        sample,
        seconds={
            "to_first_block": first[0],
            "flights": done - start,
            "summaries_and_charts": end - done,
        },
        settings={
            "jobs": chosen.jobs,
            "cluster": bool(chosen.cluster),
            "resumed": bool(chosen.resume),
            "flights_flown_in_last_part": flown[0],
            **({} if chosen.scenario is None else {"case": str(chosen.scenario)}),
        },
    )
    return summary, rate


def _tell(
    chosen: argparse.Namespace, result: object, folder: str, *, rate: float, seconds: float
) -> int:
    """Print the answer of a summary, or of a sample still to be summarised."""
    from cgrisk.risk.summary import CAUTIONS, Summary, figures_text, summarise
    from cgrisk.sampling import Sample

    summary = summarise(result) if isinstance(result, Sample) else result
    assert isinstance(summary, Summary)
    if chosen.json:
        answer(summary.answer(flights_per_second=rate))
        say(f"written to {folder}")
        return 0
    if rate > 0.0:
        say(f"{rate:,.0f} flights/s; {duration(seconds)} in all")
    precise = summary.precision_text()
    parts = [figures_text(summary), *([precise] if precise else []), summary.decision(), CAUTIONS]
    answer("\n" + "\n\n".join([*parts, f"Written to {folder}"]))
    return 0


def _dry_run(chosen: argparse.Namespace, inputs: RunInputs, folder: str) -> int:
    from cgrisk.runs import check_folder
    from cgrisk.runs.estimate import estimate_run

    check_folder(folder, inputs=inputs, resume=chosen.resume)
    told = estimate_run(inputs, folder=folder, jobs=chosen.jobs)
    if chosen.json:
        answer(told.answer())
    else:
        answer(told.text())
    return 0
