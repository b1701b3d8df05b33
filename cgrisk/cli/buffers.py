"""`cgrisk buffers`: what must come off the certified envelope, why, and the envelope it makes."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import Progress, answer, say, slug

if TYPE_CHECKING:
    from cgrisk.decide.buffers import BufferAsk
    from cgrisk.decide.operator_envelope import OperatorEnvelope
    from cgrisk.report.buffer_text import BufferStudy
    from cgrisk.runs.shelf import Shelf

#: Exit status where loads on the edge leave more often than accepted.
_NOT_PROVED = 3

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "find the buffers that keep a risk, by mass, side and phases, and the envelope they make"
EXAMPLE = "cgrisk buffers my-case/operation.toml --risk 1e-5 --confidence 0.95"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("scenario", nargs="?", help="operation file or its folder (none: the shipped case)")
    add(
        "--risk",
        type=number,
        required=True,
        metavar="A",
        help="the risk per flight that you accept; there is no published one",
    )
    add("--confidence", type=number, default=0.95, help="of each bound, 0.5 to 1 (0.95)")
    add("--together", action="store_true", help="the confidence is that of all bounds at once")
    add(
        "--in-total",
        action="store_true",
        help="the risk is that of both sides and all phases, shared out; else of each by itself",
    )
    add("--masses", metavar="LIST", help="zero-fuel masses, as 45000,52000,61000, in file units")
    add("--mass-count", type=whole, default=4, help="else so many from empty to full (4)")
    add(
        "--draws",
        type=whole,
        default=32,
        help="joint draws of what has no source; 0 leaves the assumption range out (32)",
    )
    add(
        "--relative-error",
        type=number,
        default=0.4,
        help="standard error over the probability at each buffer, 0.3 at most where flights are "
        "counted or tilted (0.4)",
    )
    add(
        "--proof",
        type=whole,
        default=1,
        metavar="N",
        help="random loads, and worst ones, to prove it by (1)",
    )
    add(
        "--envelope",
        metavar="CSV",
        help="an envelope of your own to prove instead of the new one: mass_kind,mass,forward,aft",
    )
    add(
        "--flights",
        type=whole,
        default=5_000_000,
        help="of each quantile itself, at most (5 million); pilots come on top",
    )
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")
    add("--out", help="folder to write, new or empty")


def _masses(text: str, unit_kg: float) -> tuple[float, ...]:
    from cgrisk.errors import UsageError

    try:
        return tuple(unit_kg * float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(
            argument="masses",
            expected="numbers with commas between them",
            got=text,
            cure="Write them as 45000,52000,61000.",
        ) from None


def ask(chosen: argparse.Namespace) -> BufferAsk:
    """Return what the command line asks for."""
    from cgrisk.decide.buffers import BufferAsk, default_masses
    from cgrisk.errors import UsageError
    from cgrisk.randomness import resolve_seed
    from cgrisk.rare.question import GREATEST_RISK, LEAST_RISK
    from cgrisk.sampling import check_counts
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios
    from cgrisk.units import to_si

    for name, low, high in (("draws", 0, 10_000), ("proof", 0, 1000), ("mass_count", 1, 40)):
        value = getattr(chosen, name)
        if not low <= value <= high or (name == "draws" and value == 1):
            raise UsageError(
                argument=name.replace("_", "-"),
                expected=f"a whole number from {low} to {high}"
                + (", not 1" if name == "draws" else ""),
                got=value,
                cure="See cgrisk buffers --help.",
            )
    if not LEAST_RISK <= chosen.risk <= GREATEST_RISK:
        raise UsageError(
            argument="risk",
            expected=f"a number from {LEAST_RISK:g} to {GREATEST_RISK:g}",
            got=chosen.risk,
            cure="Give the probability per flight that you accept; there is no published one.",
        )
    if not 0.005 <= chosen.relative_error <= 1.0:
        raise UsageError(
            argument="relative-error",
            expected="a number from 0.005 to 1",
            got=chosen.relative_error,
            cure="Give the standard error over the probability: 0.4 for 40 %.",
        )
    check_counts(flights=chosen.flights, jobs=chosen.jobs)
    scenario = load_scenario(chosen.scenario or shipped_scenarios()[DEFAULT])
    if chosen.masses is not None:
        unit = to_si(1.0, dimension="mass", system=scenario.operation.units)
        masses = _masses(chosen.masses, unit)
    elif chosen.mass_count == 1:
        masses = default_masses(scenario, count=2)[1:]
    else:
        masses = default_masses(scenario, count=chosen.mass_count)
    return BufferAsk(
        scenario=scenario,
        risk=chosen.risk,
        confidence=chosen.confidence,
        seed=resolve_seed(chosen.seed),
        masses_kg=masses,
        together=chosen.together,
        in_total=chosen.in_total,
        relative_error=chosen.relative_error,
        draws=chosen.draws,
        most_flights=chosen.flights,
        jobs=chosen.jobs,
    )


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.report.buffer_text import buffer_answer, buffer_text
    from cgrisk.report.publish_buffers import publish_buffers
    from cgrisk.report.result_folder import check_free, result_folder

    asked = ask(chosen)
    own = _own_envelope(chosen, asked)
    folder = _folder(chosen, asked)
    check_free(folder)
    shelf = _shelf(asked, folder)
    study = run_study(asked, proof=chosen.proof, shelf=shelf, own=own)
    with result_folder(folder) as place:
        publish_buffers(place, study=study, manifest=_manifest(asked))
    shelf.clear()
    if chosen.json:
        answer(buffer_answer(study))
    else:
        answer(buffer_text(study))
        answer(
            f"\nWritten to {folder}: envelope.csv (for cgrisk loads --envelope), buffers.csv, "
            "buffers.json, charts and more."
        )
    return _NOT_PROVED if study.fails else 0


def _own_envelope(chosen: argparse.Namespace, asked: BufferAsk) -> OperatorEnvelope | None:
    """Return the operator's own envelope, whose zero-fuel limits are to be proved."""
    from cgrisk.decide.operator_envelope import OperatorEnvelope
    from cgrisk.errors import UsageError

    if chosen.envelope is None:
        return None
    system = asked.scenario.operation.units
    own = OperatorEnvelope.from_file(chosen.envelope, system=system, name="your envelope")
    if own.zero_fuel is None:
        raise UsageError(
            argument="envelope",
            expected="limits for zero-fuel mass, on whose edge loads are planned",
            got=f"none in {chosen.envelope}",
            cure="Add rows with mass_kind zero_fuel, or leave out --envelope.",
        )
    if chosen.proof == 0:
        raise UsageError(
            argument="proof",
            expected="1 or more, together with --envelope",
            got=0,
            cure="Leave out --proof 0, or --envelope.",
        )
    return own


def run_study(
    asked: BufferAsk, *, proof: int, shelf: Shelf, own: OperatorEnvelope | None = None
) -> BufferStudy:
    """Carry it out with a progress line, so that it can be interrupted and taken up."""
    from cgrisk.decide.beside import beside_table
    from cgrisk.decide.buffers import find_buffers
    from cgrisk.decide.envelope_proof import prove_envelope
    from cgrisk.decide.operating_envelope import operating_envelope
    from cgrisk.errors import InterruptedRunError
    from cgrisk.rare import Meter
    from cgrisk.report.buffer_text import BufferStudy
    from cgrisk.sampling.blocks import aside

    progress = Progress()

    def watch(flown: int, expected: int, doing: str) -> None:
        progress.show(flown, flown=flown, part=flown / max(expected, 1), text=doing)

    progress.begin("compiling (one to three minutes the first time), then the worst loads")
    meter = Meter(watch, shelf)

    def work() -> BufferStudy:
        buffers = find_buffers(asked, meter=meter)
        envelope = operating_envelope(buffers)
        proved = envelope.envelope if own is None else own
        told = prove_envelope(buffers, envelope=proved, loads=proof, meter=meter)
        return BufferStudy(buffers, beside_table(buffers), envelope, told, own)

    try:
        return aside(work)
    except KeyboardInterrupt as error:
        raise InterruptedRunError(
            f"interrupted. {shelf.pieces()} finished pieces are kept in {shelf.folder}. Go on: the "
            f"same command with --seed {asked.seed}"
        ) from error
    finally:
        rate = progress.end()
        if rate:
            say(f"{meter.flown:,} flights, {rate:,.0f}/s")


def _folder(chosen: argparse.Namespace, asked: BufferAsk) -> str:
    if chosen.out is not None:
        return str(chosen.out)
    return f"results/{slug(asked.scenario.name)}-buffers-{asked.risk:g}-seed{asked.seed}"


def _shelf(asked: BufferAsk, folder: str) -> Shelf:
    """Return the shelf, beside the folder to come, of finished pieces of the same question."""
    from cgrisk.runs.shelf import Shelf
    from cgrisk.sampling.environment import pieces_stamp

    parts = (
        asked.scenario.digest(),
        asked.each_risk,
        asked.each_confidence,
        asked.masses_kg,
        asked.relative_error,
        asked.seed,
        asked.most_flights,
        sorted(pieces_stamp().items()),
    )
    return Shelf(Path(f"{folder}.begun"), key=repr(parts))


def _manifest(asked: BufferAsk) -> dict[str, Any]:
    from cgrisk import __version__
    from cgrisk.sampling.environment import bits_stamp

    return {
        "cgrisk": __version__,
        "command": shlex.join(["cgrisk", *sys.argv[1:]]),
        "seed": asked.seed,
        "bits": bits_stamp(),
        "scenario": asked.scenario.resolved(),
    }
