"""How kernels are compiled: GIL released, IEEE arithmetic, cache keyed on the kernels' sources.

numba recompiles a cached function only when its own file changes, not when a function it calls
in another module does. Entry points therefore close over a fingerprint of every kernel source:
the closure is part of numba's cache key, so an edit anywhere in the kernels is always compiled.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

__all__ = ["entry_point", "inlined_kernel", "kernel", "maker", "source_fingerprint"]

F = TypeVar("F", bound=Callable[..., Any])

#: Folders, below the package, whose modules are compiled.
KERNEL_FOLDERS = ("randomness", "flight/kernel")

_njit: Any = numba.njit
_OPTIONS = {"nogil": True, "error_model": "numpy"}
#: Without the run-time that counts references to arrays.
_KERNEL = {**_OPTIONS, "_nrt": False}


def kernel(function: F) -> F:
    """Compile a function called from other kernels (no cache of its own). It makes no array.

    Arrays are handed on uncounted: counting the references of every array in a named tuple at
    every call takes many times as long as the work.
    """
    return cast(F, _njit(**_KERNEL)(function))


def inlined_kernel(function: F) -> F:
    """Compile as :func:`kernel`, always in line with its callers.

    For functions that take many arrays: handing over some hundred words a call takes longer than
    what they do.
    """
    return cast(F, _njit(**_KERNEL, forceinline=True)(function))


def maker(function: F) -> F:
    """Compile a function, called from other kernels, that makes arrays."""
    return cast(F, _njit(**_OPTIONS)(function))


def entry_point(function: F) -> F:
    """Compile a kernel that Python calls, cached on disk where a cache folder is writable."""
    try:
        return cast(F, _njit(**_OPTIONS, cache=True)(function))
    except RuntimeError:  # no writable cache folder: compile in every process
        return maker(function)


@lru_cache(maxsize=1)
def source_fingerprint() -> int:
    """Return a 62-bit hash of all kernel sources, for entry points to close over."""
    digest = hashlib.sha256()
    root = Path(__file__).parent
    for folder in KERNEL_FOLDERS:
        for path in sorted((root / folder).glob("*.py")):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:8], "big") >> 2
