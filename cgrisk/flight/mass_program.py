"""What the kernel is told of masses: of people, and of the load sheet that counts them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight.kernel.data import CabinData, MassData
from cgrisk.flight.kernel.people import SCORE_END
from cgrisk.flight.paper_masses import (
    adult_standard_kg,
    bag_mean_kg,
    men_on_sheet,
    season_kg,
    standard_masses_kg,
    surveyed_kg,
)
from cgrisk.flight.populations import lognormal_of, shifted_lognormal_of, surveyed_quantiles
from cgrisk.scenario import Scenario

__all__ = ["mass_data"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Nodes of a table of body masses over normal scores: one every 0.05.
_NODES = 241


def _bodies(scenario: Scenario) -> tuple[Floats, Floats, Floats, Floats]:
    """Return shift, scale and shape of men, women and children, and their tables of quantiles."""
    mass = scenario.operation.mass
    body, more = mass.body, season_kg(mass)[0]
    laws = ((body.men, body.bias + more), (body.women, body.bias + more), (body.children, 0.0))
    figures = np.empty((3, 3))
    quantiles = np.zeros((3, _NODES if mass.survey_table else 2))
    for i, (law, bias) in enumerate(laws):
        weighed = surveyed_kg(mass, i)
        if weighed.size:
            quantiles[i] = surveyed_quantiles(weighed, nodes=_NODES, end=SCORE_END) + bias
            figures[i] = weighed.mean() + bias, weighed.std(ddof=1), -1.0
        else:
            shape = shifted_lognormal_of(law.mean + bias, sd=law.sd, skewness=law.skewness)
            figures[i] = shape.shift, shape.scale, shape.shape
    shift, scale, form = figures.T.copy()
    return shift, scale, form, quantiles


def _by_region(cabin: CabinData, per_zone: list[float]) -> Floats:
    """Return (R,) sums over the zones whose people fill a region."""
    regions = cabin.region_start.size - 1
    weights = np.array(per_zone, dtype=np.float64)
    return np.asarray(
        np.bincount(cabin.zone_region, weights=weights, minlength=regions), dtype=np.float64
    )


def _counted(cabin: CabinData, per_zone: list[int]) -> Ints:
    return np.rint(_by_region(cabin, [float(n) for n in per_zone])).astype(np.int64)


def mass_data(scenario: Scenario, *, cabin: CabinData) -> MassData:
    """Return the mass distributions and the load sheet's masses and counts.

    Parameters
    ----------
    scenario : Scenario
        Checked scenario.
    cabin : CabinData
        Its regions.
    """
    operation = scenario.operation
    rules, mass, zones = operation.load_sheet, operation.mass, operation.zones
    shift, scale, shape, quantiles = _bodies(scenario)
    bag_scale, bag_shape = lognormal_of(bag_mean_kg(mass), sd=mass.bag.sd)
    man, woman, child = standard_masses_kg(operation)
    regions = cabin.region_start.size - 1
    adults = _counted(cabin, [zone.adults for zone in zones])
    children = _counted(cabin, [zone.children for zone in zones])
    men = np.full(regions, -1, dtype=np.int64)
    on_sheet = _by_region(cabin, list(cabin.zone_standard_kg))
    counted = adults * adult_standard_kg(operation) + children * child
    if rules.basis == "by_sex":
        men = _counted(cabin, [men_on_sheet(operation, zone) for zone in zones])
        counted = men * man + (adults - men) * woman + children * child
    infants = _counted(cabin, [zone.infants for zone in zones])
    plain = rules.basis != "weighed" and (rules.infant_mass == 0.0 or not infants.any())
    factor = np.ones(regions)
    if not plain:
        factor = np.where(counted > 0.0, on_sheet / np.where(counted > 0.0, counted, 1.0), 1.0)
    return MassData(
        male_share=operation.passengers.male_share,
        shift_kg=shift,
        scale_kg=scale,
        shape=shape,
        quantile_kg=quantiles,
        bag_none=mass.bag.none_share,
        bag_scale_kg=bag_scale,
        bag_shape=bag_shape,
        adult_standard_kg=adult_standard_kg(operation),
        child_standard_kg=child,
        standard_kg=np.array([man, woman, child]),
        region_factor=factor,
        first_person=np.append(cabin.region_first_person, cabin.arm_m.size).astype(np.int64),
        listed_people=adults + children,
        listed_adults=adults,
        listed_men=men,
        listed_infants=infants,
        infant_kg=mass.body.infants.mean,
        infant_sd_kg=mass.body.infants.sd,
        weighed_kg=on_sheet if rules.basis == "weighed" else np.full(regions, -1.0),
        scale_sd=rules.scale_error,
    )
