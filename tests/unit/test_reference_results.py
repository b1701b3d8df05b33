"""The reference results kept with the project still come out, case by case."""

from pathlib import Path

import pandas as pd
import pytest

from cgrisk.risk import leave_envelope
from cgrisk.sampling import simulate
from cgrisk.scenario import load_scenario
from cgrisk.scenario.shipped import shipped_folder

REFERENCE = Path(__file__).parents[2] / "results" / "reference"
CASES = {
    "single_aisle": "single_aisle",
    "long_flight": "single_aisle/long_flight.toml",
    "commuter": "commuter",
    "twin_aisle": "twin_aisle",
}


@pytest.mark.parametrize("name", CASES)
def test_the_reference_comes_out_again(name: str) -> None:
    """Counts are the same; figures to 1e-9, for another processor rounds otherwise."""
    kept = pd.read_csv(REFERENCE / f"{name}.csv", keep_default_na=False, na_values=[""])
    sample = simulate(load_scenario(shipped_folder() / CASES[name]), flights=4096, seed=1, jobs=2)
    now = leave_envelope(sample)
    assert list(now.columns) == list(kept.columns)
    for column in kept.columns:
        if pd.api.types.is_numeric_dtype(kept[column]):
            pd.testing.assert_series_equal(
                now[column].astype(float), kept[column].astype(float), rtol=1e-9, atol=1e-12
            )
        else:
            assert now[column].astype(str).tolist() == kept[column].astype(str).tolist(), column


@pytest.mark.nightly
def test_the_large_reference_comes_out_again() -> None:
    """The 100,000 flights behind the charts of the README."""
    kept = pd.read_csv(REFERENCE / "leave_envelope.csv")
    sample = simulate(load_scenario(shipped_folder() / "single_aisle"), flights=100_000, seed=1)
    now = leave_envelope(sample)
    assert now["hits"].tolist() == kept["hits"].tolist()
    assert now["estimate"].tolist() == pytest.approx(kept["estimate"].tolist(), rel=1e-9)
