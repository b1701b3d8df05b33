"""Complete runs for reports, made without the command line."""

from __future__ import annotations

from pathlib import Path

from cgrisk.report.publish import publish
from cgrisk.risk.summary import Summary, summarise
from cgrisk.runs import fly_run, inputs_of, open_run
from cgrisk.sampling import fly_blocks
from cgrisk.scenario import Scenario


def make_run(folder: Path, scenario: Scenario, *, flights: int, seed: int = 1) -> Summary:
    """Fly a run into a folder as `cgrisk run` does; return its summary."""
    inputs = inputs_of(scenario, seed=seed, flights=flights)
    with open_run(folder, inputs=inputs) as run:
        sample = fly_run(
            run,
            fly=lambda numbers, keep_rows: fly_blocks(
                run.model,
                seed=seed,
                flights=flights,
                numbers=numbers,
                layout=run.layout,
                jobs=1,
                keep_rows=keep_rows,
            ),
        )
        summary = summarise(sample)
        publish(run.place, summary=summary, store=run.store)
        run.finish(sample, seconds={}, settings={})
    return summary
