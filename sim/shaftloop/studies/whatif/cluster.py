"""Batches over the machines of a Dask scheduler, which comes with the extra ``cluster``."""

import logging
from collections.abc import Generator, Iterable
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from itertools import chain
from typing import TYPE_CHECKING

from shaftloop.errors import ScenarioError, ShaftloopError, SimulationError
from shaftloop.studies.whatif.evaluate import Batch, Row, Work, evaluate_batch
from shaftloop.studies.whatif.processes import spread

if TYPE_CHECKING:
    from distributed import Client
    from distributed import Future as Remote

__all__ = ["Cluster"]

_AHEAD = 2
_PATIENCE = 10
"""Longest wait for the scheduler, at the beginning and where it is lost. [s]"""

_TALKATIVE = ("distributed.client", "distributed.utils")
"""What logs tracebacks where the scheduler is lost, which is said here in words."""


@dataclass(frozen=True)
class Cluster:
    """A `Runner` over an existing Dask scheduler, e.g. ``tcp://10.0.0.5:8786``.

    A batch whose worker is lost goes to another one.
    """

    address: str

    def __post_init__(self) -> None:
        """Check that the extra is installed.

        Raises
        ------
        ScenarioError
            Where it is not.
        """
        if find_spec("distributed") is None:
            raise ScenarioError(['`cluster` needs distributed; install "shaftloop[cluster]"'])

    def __call__(self, work: Work, batches: Iterable[Batch]) -> Generator[list[Row], None, None]:
        """Yield rows as they come; batches are taken as workers get free."""
        from distributed import KilledWorker

        for name in _TALKATIVE:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        source = iter(batches)
        client = self._connected(
            ScenarioError([f"`cluster` {self.address}: no Dask scheduler answers, or it has no worker"])
        )
        while True:
            suspects: list[Batch] = []
            try:
                with client:
                    submit = partial(_submit, client, work)
                    most = _AHEAD * max(1, sum(client.nthreads().values()))
                    yield from spread(submit, source, most, CancelledError, suspects)
            except KilledWorker as error:
                raise SimulationError(
                    f"the cluster lost every worker that took one of the batches: {error}",
                    "give them more memory; what is done is kept, and the same command goes on from there",
                ) from None
            if not suspects:
                return
            source = chain(suspects, source)
            client = self._connected(
                SimulationError(
                    f"the Dask scheduler {self.address} was lost and has no worker after {_PATIENCE:g} s",
                    "start it again; what is done is kept, and the same command goes on from there",
                )
            )

    def _connected(self, otherwise: ShaftloopError) -> "Client":
        """Return a client of a scheduler that has a worker."""
        from distributed import Client

        client = None
        try:
            client = Client(self.address, timeout=_PATIENCE, set_as_default=False)
            client.wait_for_workers(1, timeout=_PATIENCE)
        except (OSError, ValueError):
            if client is not None:
                client.close(timeout=1)
            raise otherwise from None
        return client


def _submit(client: "Client", work: Work, batch: Batch) -> Future[list[Row]]:
    """Have a batch evaluated; the future is cancelled where the scheduler is lost."""
    found: Future[list[Row]] = Future()

    def hand_over(result: "Remote") -> None:
        try:
            error = result.exception()
            rows = result.result() if error is None else []
        except (CancelledError, OSError):
            error = CancelledError()
        if error is None:
            found.set_result(rows)
        else:
            found.set_exception(error)

    try:
        client.submit(evaluate_batch, work, batch, pure=False).add_done_callback(hand_over)
    except (OSError, RuntimeError):
        # What a client without a scheduler raises.
        raise CancelledError from None
    return found
