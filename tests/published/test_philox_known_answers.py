"""Philox4x32 against the known answers published with Random123.

Source: Random123 (D. E. Shaw Research), file tests/kat_vectors, lines "philox4x32 7" and
"philox4x32 10": four counter words, two key words, four words expected. Obtained as reprinted
line for line in the tests of another implementation; the three of ten rounds also agree with
several further reprints.
"""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from cgrisk.randomness.philox import block, philox4x32, philox_fill
from tests.oracles.plain_philox import philox, unphilox

TEN_ROUNDS = (
    "00000000 00000000 00000000 00000000 00000000 00000000 6627e8d5 e169c58d bc57ac4c 9b00dbd8",
    "ffffffff ffffffff ffffffff ffffffff ffffffff ffffffff 408f276d 41c83b0e a20bc7c6 6d5451fd",
    "243f6a88 85a308d3 13198a2e 03707344 a4093822 299f31d0 d16cfe09 94fdcceb 5001e420 24126ea1",
)
SEVEN_ROUNDS = (
    "00000000 00000000 00000000 00000000 00000000 00000000 5f6fb709 0d893f64 4f121f81 4f730a48",
    "ffffffff ffffffff ffffffff ffffffff ffffffff ffffffff 5207ddc2 45165e59 4d8ee751 8c52f662",
    "243f6a88 85a308d3 13198a2e 03707344 a4093822 299f31d0 4dfccaba 190a87f0 c47362ba b6b5242a",
)


def parsed(line: str) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    words = tuple(int(word, 16) for word in line.split())
    return words[:4], words[4:6], words[6:]


@pytest.mark.parametrize("line", TEN_ROUNDS)
def test_scalar_kernel(line: str) -> None:
    counter, key, expected = parsed(line)
    words = philox4x32(*counter, *key)
    assert words == expected
    narrow = philox4x32(*(np.uint32(word) for word in (*counter, *key)))
    assert narrow == expected


@pytest.mark.parametrize("line", TEN_ROUNDS)
def test_layout_in_scalar_and_vector_form(line: str) -> None:
    (flight, version, cause_entity, draw), key, expected = parsed(line)
    cause, entity = divmod(cause_entity, 2**24)
    assert block(flight, version, cause, entity, draw, *key) == expected
    out = np.zeros((4, 1), np.uint32)
    philox_fill(out, flight, np.array([version], np.uint32), cause, entity, 1, draw, *key)
    assert tuple(out[:, 0]) == expected


@pytest.mark.parametrize("rounds, lines", [(7, SEVEN_ROUNDS), (10, TEN_ROUNDS)])
def test_plain_version_both_ways(rounds: int, lines: tuple[str, ...]) -> None:
    for line in lines:
        counter, key, expected = parsed(line)
        assert philox(counter, key, rounds) == expected
        assert unphilox(expected, key, rounds) == counter


def test_kernels_run_uncompiled_without_overflow() -> None:
    """The same code as plain NumPy scalars, where an overflow would warn and be an error."""
    code = (
        "import numpy as np\n"
        "from cgrisk.randomness.philox import block, philox4x32, philox_fill\n"
        f"for line in {TEN_ROUNDS!r}:\n"
        "    words = [int(word, 16) for word in line.split()]\n"
        "    assert list(philox4x32(*words[:6])) == words[6:], line\n"
        "    out = np.zeros((4, 1), np.uint32)\n"
        "    versions = np.array([words[1]], np.uint32)\n"
        "    cause, entity = divmod(words[2], 2**24)\n"
        "    philox_fill(out, words[0], versions, cause, entity, 1, words[3], *words[4:6])\n"
        "    assert list(out[:, 0]) == words[6:], line\n"
        "print('agreed')\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.stdout.strip() == "agreed", done.stderr
