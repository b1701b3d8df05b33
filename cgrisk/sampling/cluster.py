"""Blocks flown by the workers of a dask cluster, with the same bits as here.

Each task flies one block. What it needs of the scenario is itself a task, so that the cluster can
make it again wherever a worker is lost; what comes back is the block packed small, with the stamp
of the worker's versions.
"""

from __future__ import annotations

import logging
import re
from collections import deque
from collections.abc import Generator, Iterable
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.sampling.blocks import Block, fly_one_block
from cgrisk.sampling.environment import bits_stamp
from cgrisk.sampling.layout import Layout, layout_of
from cgrisk.sampling.packing import pack_block, unpack_block
from cgrisk.scenario import Scenario

__all__ = ["check_address", "fly_on_cluster"]

#: Blocks per thread of the cluster that are in hand at once.
_AHEAD = 3
_PATIENCE_S = 20
_ADDRESS = re.compile(
    r"(?:[a-zA-Z][a-zA-Z0-9+.-]*://)?(?:\[[^\s\[\]/@]+\]|[^\s\[\]:/@;]+):([0-9]{1,5})", re.ASCII
)

_Flown = tuple[bytes, NDArray[np.float64] | None, dict[str, str]]


def _ready(resolved: dict[str, Any]) -> tuple[FlightModel, Layout]:
    """Make a scenario ready on a worker."""
    model = prepare(Scenario.from_resolved(resolved))
    return model, layout_of(model)


def _fly(
    ready: tuple[FlightModel, Layout], seed: int, number: int, flights: int, keep_rows: bool
) -> _Flown:
    """Fly one block on a worker."""
    model, layout = ready
    block = fly_one_block(
        model, layout, seed=seed, number=number, flights=flights, keep_rows=keep_rows
    )
    return pack_block(block), block.rows, bits_stamp()


def check_address(address: str) -> None:
    """Check the form of a scheduler's address, without asking whether it answers.

    Raises
    ------
    UsageError
        If it is none.
    """
    found = _ADDRESS.fullmatch(address)
    if found is None or not 1 <= int(found[1]) <= 65535:
        raise UsageError(
            argument="cluster",
            expected="the address of a dask scheduler, tcp://HOST:PORT",
            got=re.sub(r"//[^@]*@", "//...@", address),
            cure="Give what the scheduler prints when it starts, such as tcp://127.0.0.1:8786.",
        )


def _connect(address: str) -> Any:
    check_address(address)
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            argument="cluster",
            expected="dask.distributed to be installed",
            got="no such package",
            cure='Install cgrisk with its extra: pip install ".[cluster]"',
        ) from error
    # What goes wrong is told by the error below, not by the library's log.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    client: Any = Client.__new__(Client)  # at hand to be closed where its making fails
    try:
        client.__init__(address, timeout=_PATIENCE_S, set_as_default=False)
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except (OSError, TimeoutError, TypeError, ValueError) as error:
        with suppress(Exception):
            client.close(timeout=1)
        client.status = "closed"  # else it is closed once more, with a traceback, when let go
        raise ComputationError(
            f"cluster: expected a scheduler with workers at {address}; got {_reason(error)}. "
            "Start them (dask scheduler, dask worker ADDRESS), then try again."
        ) from error
    return client


def _check_stamp(theirs: dict[str, str]) -> None:
    ours = bits_stamp()
    apart = [f"{name} {theirs.get(name)} instead of {ours[name]}" for name in ours]
    apart = [text for text, name in zip(apart, ours, strict=True) if theirs.get(name) != ours[name]]
    if apart:
        raise ComputationError(
            f"cluster: expected workers with the versions and processor of this machine; got "
            f"{'; '.join(apart)}. Other ones may give other bits: install the same on all."
        )


def fly_on_cluster(
    model: FlightModel,
    *,
    seed: int,
    flights: int,
    numbers: Iterable[int],
    layout: Layout,
    address: str,
    keep_rows: bool = False,
) -> Generator[Block, None, None]:
    """Fly blocks on the workers of a dask cluster and yield them in order.

    Parameters
    ----------
    model, layout
        What is flown, and what is kept of it.
    seed, flights : int
        As in :func:`cgrisk.sampling.fly_blocks`.
    numbers : iterable of int
        Numbers of the blocks wanted.
    address : str
        Of the scheduler, for instance ``tcp://127.0.0.1:8786``. Whoever can reach it can run code
        on its workers: keep it inside a network that is trusted.
    keep_rows : bool
        Whether blocks carry their rows, which then cross the network.

    Raises
    ------
    UsageError
        If dask.distributed is not installed, or the address is none.
    ComputationError
        If the cluster cannot be reached, is lost, loses its workers again and again on one block,
        or has other versions. A worker that is lost costs the time of its blocks, nothing else.
    """
    client = _connect(address)
    from distributed import KilledWorker
    from distributed.client import FutureCancelledError

    wanted = iter(numbers)
    ready = client.submit(_ready, model.scenario.resolved(), pure=False)
    pending: deque[Any] = deque()

    def submit_more() -> None:
        room = _AHEAD * max(1, sum(client.nthreads().values()))
        while len(pending) < room and (number := next(wanted, None)) is not None:
            pending.append(client.submit(_fly, ready, seed, number, flights, keep_rows, pure=False))

    ends = True
    try:
        submit_more()
        while pending:
            content, rows, stamp = pending.popleft().result()
            _check_stamp(stamp)
            block = unpack_block(content, layout=layout)
            yield Block(block.number, block.tally, block.outcomes, rows)
            submit_more()
    except KilledWorker as error:
        raise ComputationError(
            "cluster: expected a worker that lives through a block; got one block on which "
            f"worker after worker died ({_reason(error)}). Look at the workers' logs (memory, "
            "time limits)."
        ) from error
    except (FutureCancelledError, OSError, TimeoutError) as error:
        raise ComputationError(
            f"cluster: expected the scheduler at {address} to answer; got {_reason(error)}. Start "
            "it again."
        ) from error
    except KeyboardInterrupt:
        ends = False  # the process ends at once, and the scheduler lets go of what it asked for
        raise
    finally:
        if ends:
            client.close()


def _reason(error: BaseException) -> str:
    return str(error).strip().splitlines()[-1].rstrip(".")[:160] or type(error).__name__
