"""`cgrisk run`: fly a scenario many times, write the run's folder, print the decision."""

from __future__ import annotations

import argparse
import re
import time

from cgrisk.cli.output import Progress, answer, say

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "fly a scenario many times and say how likely it is to leave the CG envelope"
EXAMPLE = "cgrisk run my-case/operation.toml --flights 100000 --seed 1 --jobs 2 --out results/mine"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "scenario", nargs="?", help="operation file or its folder; none: the shipped case"
    )
    parser.add_argument("--flights", type=int, default=10_000, help="number of flights (10000)")
    parser.add_argument("--seed", type=int, help="0 to 2**64 - 1; none draws one and records it")
    parser.add_argument("--jobs", type=int, default=-1, help="threads; -1: one a processor (-1)")
    parser.add_argument("--out", help="folder to write (results/NAME-seedSEED)")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from datetime import UTC, datetime

    import cgrisk
    from cgrisk.compiled import source_fingerprint
    from cgrisk.flight import FlightModel
    from cgrisk.randomness import resolve_seed
    from cgrisk.report.publish import publish
    from cgrisk.risk.running import RunningRisk
    from cgrisk.risk.summary import CAUTIONS, figures_text, summarise
    from cgrisk.runs import Manifest, new_run_folder, write_manifest, write_samples
    from cgrisk.runs.manifest import FORMAT, environment
    from cgrisk.runs.store import file_digests
    from cgrisk.sampling import BLOCK, Block, check_counts, simulate
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

    start = time.perf_counter()
    seed = resolve_seed(chosen.seed)
    check_counts(flights=chosen.flights, jobs=chosen.jobs)
    scenario = load_scenario(chosen.scenario or shipped_scenarios()[DEFAULT])
    slug = re.sub(r"[^a-z0-9]+", "-", scenario.name.lower()).strip("-")[:60] or "run"
    folder = chosen.out or f"results/{slug}-seed{seed}"
    progress = Progress(chosen.flights)

    running: list[RunningRisk] = []

    def on_ready(model: FlightModel, seconds: float) -> None:
        running.append(RunningRisk(model))
        progress.begin(f"kernel ready after {seconds:.1f} s")

    def on_block(block: Block) -> None:
        running[0].add(block)
        progress.advance(block.rows.shape[0], running[0].text())

    with new_run_folder(folder) as partial:
        say(f"{scenario.name}: {chosen.flights:,} flights, seed {seed}")
        progress.begin("compiling the kernel (once) ...")
        sample = simulate(
            scenario,
            flights=chosen.flights,
            seed=seed,
            jobs=chosen.jobs,
            on_block=on_block,
            on_ready=on_ready,
        )
        rate = progress.end()
        flown = time.perf_counter()
        summary = summarise(sample)
        write_samples(partial, sample.frame)
        publish(partial, summary=summary)
        done = time.perf_counter()
        write_manifest(
            partial,
            Manifest(
                format=FORMAT,
                cgrisk_version=cgrisk.__version__,
                kernel=source_fingerprint(),
                scenario=scenario.resolved(),
                scenario_sha256=scenario.digest(),
                seed=seed,
                flights=sample.flights,
                block=BLOCK,
                confidence=summary.confidence,
                environment=environment(),
                created=datetime.now(UTC).isoformat(timespec="seconds"),
                seconds={"flights": flown - start, "summaries_and_charts": done - flown},
                settings={"jobs": chosen.jobs, "batch": BLOCK, "backend": "threading"},
                files=file_digests(partial),
            ),
        )
    if chosen.json:
        answer(summary.answer(flights_per_second=rate))
        say(f"written to {folder}")
    else:
        say(f"{rate:,.0f} flights/s; {time.perf_counter() - start:.1f} s in all")
        parts = "", figures_text(summary), "", summary.decision(), "", CAUTIONS, ""
        answer("\n".join((*parts, f"Written to {folder}")))
    return 0
