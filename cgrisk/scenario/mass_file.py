"""Part of the operation file: masses of people, real ones and those of the load sheet."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cgrisk.scenario.fields import (
    ASSUMPTION,
    DATA,
    FileName,
    Model,
    PersonMass,
    PersonMassShift,
    Quantity,
    Share,
    item,
)

__all__ = [
    "BodyMass",
    "CabinBag",
    "InfantMass",
    "LoadSheet",
    "PassengerMass",
    "PopulationMass",
    "Surveyed",
]

#: One who was weighed: sex (or child), and mass.
Surveyed = Annotated[
    tuple[
        Literal["male", "female", "child"],
        Annotated[float, Quantity("mass", low=1.0, high=300.0)],
    ],
    Field(strict=False),
]


class LoadSheet(Model):
    """Standard masses and rounding of the load sheet. A step of 0 means no rounding."""

    basis: Literal["all_adult", "by_sex", "weighed"] = item("all_adult", source=DATA)
    """What the mass of passengers is taken from.

    all_adult: one standard mass for adults; by_sex: men and women counted apart, each at their
    own; weighed: every passenger steps on a scale with his cabin bag.
    """
    adult_mass: PersonMass = item(
        84.0, source="EU Air Ops CAT.POL.MAB, all-adult standard mass, 30 seats or more"
    )
    """Standard mass of an adult, cabin bag included."""
    male_mass: PersonMass = item(
        92.0, source="EU Air Ops CAT.POL.MAB, male standard mass, 10 to 19 seats"
    )
    """Standard mass of a man, cabin bag included, under the basis by_sex."""
    female_mass: PersonMass = item(
        74.0, source="EU Air Ops CAT.POL.MAB, female standard mass, 10 to 19 seats"
    )
    """Standard mass of a woman."""
    child_mass: PersonMass = item(35.0, source="EU Air Ops CAT.POL.MAB, child of 2 to 12 years")
    """Standard mass of a child."""
    infant_mass: PersonMass = item(
        0.0, source="EU Air Ops CAT.POL.MAB, from memory: within the mass of the adult who carries"
    )
    """Standard mass of an infant on a lap; 0 where the adult's mass includes it."""
    scale_error: Share = item(0.005, source=ASSUMPTION)
    """Standard deviation of the scale's error from flight to flight, as a share, if weighed."""
    bag_mass: PersonMass = item(13.0, source="EU Air Ops CAT.POL.MAB, checked bag, European region")
    """Standard mass of a checked bag."""
    arm_step: Annotated[float, Quantity("length", low=0.0, high=5.0)] = item(
        0.01, source="common practice, no published source"
    )
    """Zone and compartment arms are rounded to this."""
    mass_step: Annotated[float, Quantity("mass", low=0.0, high=100.0)] = item(
        1.0, source="common practice, no published source"
    )
    """Masses are rounded to this."""
    index_step: Annotated[float, Quantity(low=0.0, high=100.0)] = item(
        0.1, source="common practice, no published source"
    )
    """Index of each line is rounded to this."""
    cg_step: Annotated[float, Quantity(low=0.0, high=10.0, unit="% MAC")] = item(
        0.1, source="common practice, no published source"
    )
    """The resulting zero-fuel CG is rounded to this."""


class PopulationMass(Model):
    """Body mass of a population: a shifted lognormal with these moments."""

    mean: Annotated[float, Quantity("mass", low=1.0, high=300.0)] = item()
    """Mean, clothed, without bags."""
    sd: Annotated[float, Quantity("mass", low=0.0, high=100.0)] = item()
    """Standard deviation."""
    skewness: Annotated[float, Quantity(low=0.0, high=5.0)] = item(1.2)
    """Skewness; 0 means a normal distribution."""


class InfantMass(Model):
    """Mass of infants on laps: a normal distribution, cut at 2 kg."""

    mean: Annotated[float, Quantity("mass", low=2.0, high=30.0)] = item(10.0, source=ASSUMPTION)
    """Mean, clothed, with what is carried for it; NHANES 2017-2018 has 11.6 kg at one year."""
    sd: Annotated[float, Quantity("mass", low=0.0, high=10.0)] = item(2.5, source=ASSUMPTION)
    """Standard deviation; all ages under 2 together."""


_EASA = (
    "mean: EASA.2021.C24 survey (2022), quoted second-hand, less its hand baggage; "
    "shape: NHANES 2017-2018"
)


class BodyMass(Model):
    """Body masses of those aboard."""

    men: PopulationMass = item(PopulationMass(mean=82.2, sd=17.0, skewness=1.14), source=_EASA)
    """Adult men."""
    women: PopulationMass = item(PopulationMass(mean=67.5, sd=16.0, skewness=1.31), source=_EASA)
    """Adult women."""
    children: PopulationMass = item(
        PopulationMass(mean=28.2, sd=10.0, skewness=0.8),
        source="mean: NHANES 2017-2018, ages 2 to 11; spread: assumption",
    )
    """Children of 2 to 12 years."""
    infants: InfantMass = item(InfantMass(), source=ASSUMPTION)
    """Infants under 2 years on laps."""
    bias: PersonMassShift = item(0.0, source=ASSUMPTION)
    """This operation's adults above the populations' means: season, route, clothing."""
    bias_sd_operation: PersonMass = item(1.5, source=ASSUMPTION)
    """Standard deviation of that bias, which nobody knows.

    A run holds the bias at its stated value and reports so.
    """


class CabinBag(Model):
    """What adults bring aboard."""

    mean: PersonMass = item(7.7, source="EASA.2021.C24 survey (2022), quoted second-hand")
    """Mean mass of those who bring any."""
    sd: PersonMass = item(3.5, source=ASSUMPTION)
    """Standard deviation (gamma-like, never below 0)."""
    none_share: Share = item(0.033, source="EASA.2021.C24 survey (2022), quoted second-hand")
    """Share who bring none."""


class PassengerMass(Model):
    """Masses of passengers and their cabin bags."""

    body: BodyMass = item(BodyMass(), source=ASSUMPTION)
    """Body masses."""
    bag: CabinBag = item(CabinBag(), source=ASSUMPTION)
    """Cabin bags."""
    season: Literal["all_year", "summer", "winter"] = item("all_year", source=ASSUMPTION)
    """Adults are by half of the seasons' differences heavier in winter and lighter in summer."""
    season_clothing: PersonMass = item(
        2.3, source="FAA AC 120-27D/E, second-hand: 195 lb in winter, 190 lb in summer"
    )
    """How much more an adult's winter clothes weigh than his summer clothes."""
    season_bag: PersonMass = item(1.0, source="EASA.2021.C24 survey (2022), quoted second-hand")
    """How much more a cabin bag weighs in winter than in summer."""
    survey: FileName | None = item(None)
    """Instead of the laws of body, a CSV file in the same folder: people who were weighed.

    Its columns are sex (male, female or child) and mass: clothed, without bags. Body masses follow
    the quantiles of those weighed, and beyond the lightest and heaviest the law of their moments.
    Who is not in the file keeps the law of body; bias and season come on top.
    """
    survey_table: Annotated[tuple[Surveyed, ...], Field(strict=False, max_length=20000)] = item(())
    """The survey itself; a survey CSV is read into this."""
