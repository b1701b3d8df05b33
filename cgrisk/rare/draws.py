"""Joint draws of all that has no source, and the scenario of each."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.scenario.ranges import Range, assumption_ranges, with_values

__all__ = ["Draws", "drawn_assumptions"]


@dataclass(frozen=True, slots=True)
class Draws:
    """Points of a Latin hypercube over the ranges of all inputs without a source.

    Attributes
    ----------
    ranges : tuple of Range
    values : float64 array, shape (draws, ranges)
    seed : int
        Of the individual aircraft of the fleet, which are drawn anew with each.
    """

    ranges: tuple[Range, ...]
    values: NDArray[np.float64]
    seed: int

    def __len__(self) -> int:
        return int(self.values.shape[0])

    def model(self, standing: FlightModel, number: int, *, but: Container[str] = ()) -> FlightModel:
        """Return the model of a draw.

        Parameters
        ----------
        standing : FlightModel
            Of the scenario as it stands.
        number : int
            Of the draw.
        but : container of str
            Keys that stay as they are.
        """
        moved = {
            r.key: float(value)
            for r, value in zip(self.ranges, self.values[number], strict=True)
            if r.key not in but
        }
        other = prepare(with_values(standing.scenario, moved)) if moved else standing
        return _other_aircraft(other, generator(self.seed, "individual aircraft", str(number)))


def drawn_assumptions(model: FlightModel, *, draws: int, seed: int) -> Draws:
    """Return so many joint draws for the scenario of a model."""
    ranges = assumption_ranges(model.scenario)
    rng = np.random.default_rng(derived_seed(seed, "assumptions"))
    cube = np.empty((draws, 0))
    if ranges:
        cube = qmc.LatinHypercube(d=len(ranges), rng=rng).random(draws)
    values = np.array(
        [[r.at(float(u)) for r, u in zip(ranges, point, strict=True)] for point in cube]
    )
    return Draws(ranges, values.reshape(draws, len(ranges)), seed)


def _other_aircraft(model: FlightModel, rng: np.random.Generator) -> FlightModel:
    """Return a model whose fleet is of other individual aircraft."""
    doubt, dry = model.scenario.aircraft.dry_uncertainty, model.program.dry
    fleet = dry.fleet_mass_kg.size
    arm = doubt.cg_sd_aircraft * model.balance.mac_m / 100.0
    dry = dry._replace(
        fleet_mass_kg=doubt.mass_sd_aircraft * rng.standard_normal(fleet),
        fleet_arm_m=arm * rng.standard_normal(fleet),
    )
    return replace(model, program=model.program._replace(dry=dry))
