"""`cgrisk causes`: which cause makes the risk, which assumption moves it, and what if."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING, Any

from cgrisk.cli.numbers import whole
from cgrisk.cli.output import answer, say
from cgrisk.cli.tail import (
    add_question,
    ask,
    carried_out,
    folder_of,
    manifest,
    run_study,
    shelf_of,
)

if TYPE_CHECKING:
    import pandas as pd

    from cgrisk.causes import TailShares
    from cgrisk.rare import Meter, Study

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "tell which cause makes the risk, which assumption moves it, and what stress cases would do"
EXAMPLE = "cgrisk causes my-case/operation.toml --side aft --target 1e-6 --seed 1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_question(parser)
    parser.add_argument(
        "--pairs", type=whole, default=2048, help="pairs of flights for the variance shares (2048)"
    )


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.report.cause_text import causes_answer, causes_text
    from cgrisk.report.publish_tail import publish_causes
    from cgrisk.report.result_folder import check_free, result_folder

    question = ask(chosen)
    folder = folder_of(chosen, question, "causes")
    check_free(folder)
    shelf = shelf_of(question, folder, side=chosen.side, phases=chosen.phases, method=chosen.method)
    study = run_study(chosen, question, draws=0, shelf=shelf)
    variance, shares, tables = carried_out(
        lambda meter: _explain(chosen, study, meter),
        question=question,
        shelf=shelf,
        first="shares of the variance",
    )
    with result_folder(folder) as place:
        publish_causes(
            place,
            study=study,
            variance=variance,
            shares=shares,
            tables=tables,
            manifest=manifest(question),
        )
    shelf.clear()
    if chosen.json:
        answer(causes_answer(study, variance=variance, shares=shares, tables=tables))
    else:
        answer(causes_text(study, variance=variance, shares=shares, tables=tables))
        answer(f"\nWritten to {folder}: swings.csv, stress.csv, tail_shares.csv, charts and more.")
    return 0


def _explain(
    chosen: argparse.Namespace, study: Study, meter: Meter
) -> tuple[pd.DataFrame, TailShares | None, dict[str, Any]]:
    """Return the variance shares, the split of the tail, and the other tables."""
    from cgrisk.causes import (
        cause_variance,
        in_common,
        phases_of_least,
        stress_table,
        swings,
        tail_shares,
    )
    from cgrisk.errors import ComputationError
    from cgrisk.rare import fly_rows, strata_of

    question, model, score = study.question, study.question.model, study.question.score
    cloud, level, jobs = study.cloud, study.inverse.estimate, question.jobs
    if cloud is None or not math.isfinite(level):
        raise ComputationError(
            "the curve does not reach the target, so nothing can be told about the flights there. "
            "Ask for a higher target, or a smaller --deepest."
        )
    variance = cause_variance(
        model,
        seed=question.seed,
        pairs=chosen.pairs,
        answers={score.name: score},
        jobs=jobs,
        meter=meter,
    )
    strata = strata_of(model, side=score.side)
    rows = fly_rows(cloud, strata=strata, jobs=jobs, meter=meter)
    scores, weights = score.of(rows), cloud.weights(strata)
    shares = None
    where = {"side": chosen.side, "group": chosen.phases}
    if score.offset_sign:
        try:
            shares = tail_shares(
                model,
                cloud=cloud,
                strata=strata,
                rows=rows,
                scores=scores,
                level=level,
                **where,
            )
        except ComputationError as error:
            say(f"{error}")
    tables = {
        "in_common": in_common(model, rows=rows, scores=scores, weights=weights, level=level),
        "phases": phases_of_least(
            model, rows=rows, scores=scores, weights=weights, level=level, **where
        ),
        "swings": swings(
            question,
            cloud=cloud,
            thresholds=study.curve["threshold"].to_numpy(),
            level=level,
            pilot=study.pilot,
            meter=meter,
            **where,
        ),
        "stress": stress_table(question, cloud=cloud, level=level, meter=meter, **where),
    }
    return variance, shares, tables
