"""Options and fixtures that every test may use."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Examples are the same on every run unless the nightly profile is asked for. No deadline: the
# first example of a kernel pays for its compilation.
settings.register_profile(
    "house", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "nightly",
    deadline=None,
    max_examples=1_000,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("house")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--seed-offset",
        type=int,
        default=0,
        help="added to the seed of every statistical test: another offset, other random numbers",
    )
    parser.addoption(
        "--fuzz-inputs",
        type=int,
        default=5_000,
        help="inputs of the nightly fuzz tests together; twenty nightly rounds make 100,000",
    )


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests whose seed ``--seed-offset`` moves."""
    for item in items:
        if "seed_offset" in getattr(item, "fixturenames", ()):
            item.add_marker("seeded")


@pytest.fixture(scope="session")
def seed_offset(request: pytest.FixtureRequest) -> int:
    """What a test adds to its seed, from --seed-offset; 0 unless told."""
    return int(request.config.getoption("--seed-offset"))


@pytest.fixture(scope="session")
def small_runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a small run, ``whole``, and the same run cut before its end, ``cut``."""
    from tests.run_cases import make_run

    return make_run(tmp_path_factory.mktemp("small-runs"))


@pytest.fixture(scope="session")
def fuzz_inputs(request: pytest.FixtureRequest) -> int:
    """How many inputs the nightly fuzz tests try together, from --fuzz-inputs."""
    return int(request.config.getoption("--fuzz-inputs"))
