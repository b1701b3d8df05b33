"""Versions and machine: what the bits of a flight depend on beside its inputs."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
from pathlib import Path
from typing import Final

import cgrisk
from cgrisk.compiled import source_fingerprint

__all__ = ["BITS_DEPEND_ON", "bits_stamp", "environment", "pieces_stamp"]

_LIBRARIES: Final = ("numpy", "scipy", "numba", "llvmlite", "pandas", "pyarrow", "pydantic")
#: What the bits of flights and of their files depend on, out of the environment.
BITS_DEPEND_ON: Final = (
    "numpy",
    "scipy",
    "numba",
    "llvmlite",
    "pyarrow",
    "processor",
    "machine",
)


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or "unknown"


def environment() -> dict[str, str]:
    """Return versions of Python and the libraries, processor and platform."""
    out = {"python": platform.python_version()}
    out |= {name: importlib.metadata.version(name) for name in _LIBRARIES}
    return out | {"processor": _processor(), "machine": platform.machine()}


def bits_stamp() -> dict[str, str]:
    """Return what two processes must have in common for the same bits."""
    here = environment()
    stamp = {"cgrisk": cgrisk.__version__, "kernel": str(source_fingerprint())}
    return stamp | {name: here[name] for name in BITS_DEPEND_ON}


def pieces_stamp() -> dict[str, str]:
    """Return what two processes must have in common to take up each other's finished pieces.

    Beyond the same bits of a flight, the sources of the whole package: what a piece is of is
    decided by all of them.
    """
    digest, root = hashlib.sha256(), Path(cgrisk.__file__).parent
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return bits_stamp() | {"sources": digest.hexdigest()}
