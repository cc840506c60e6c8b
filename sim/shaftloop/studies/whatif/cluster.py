"""Batches over the machines of a Dask scheduler, through joblib; both come with the extra ``cluster``."""

from collections.abc import Generator, Iterable
from dataclasses import dataclass
from importlib.util import find_spec

from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.studies.whatif.evaluate import Batch, Row, Work, evaluate_batch

__all__ = ["Cluster"]

_AHEAD = 2
_PATIENCE = 10
"""Longest wait for the scheduler. [s]"""


@dataclass(frozen=True)
class Cluster:
    """A `Runner` over an existing Dask scheduler. A batch whose worker is lost goes to another one.

    Parameters
    ----------
    address : str
        Of the scheduler, e.g. ``tcp://10.0.0.5:8786``.
    """

    address: str

    def __post_init__(self) -> None:
        """Check that the extra is installed.

        Raises
        ------
        ScenarioError
            Where it is not.
        """
        if find_spec("joblib") is None or find_spec("distributed") is None:
            raise ScenarioError(['--cluster needs joblib and distributed; install "shaftloop[cluster]"'])

    def __call__(self, work: Work, batches: Iterable[Batch]) -> Generator[list[Row], None, None]:
        """Yield rows as they come.

        Parameters
        ----------
        work : Work
            What is asked.
        batches : iterable of Batch
            Candidates; taken as workers get free.
        """
        from distributed import Client, KilledWorker
        from joblib import Parallel, delayed, parallel_config

        try:
            client = Client(self.address, timeout=_PATIENCE, set_as_default=False)
        except (OSError, ValueError) as error:
            raise ScenarioError([f"--cluster {self.address}: no Dask scheduler answers: {error}"]) from None
        try:
            with client, parallel_config(backend="dask", client=client):
                spread = Parallel(
                    n_jobs=-1, batch_size=1, pre_dispatch=f"{_AHEAD}*n_jobs", return_as="generator_unordered"
                )
                yield from spread(delayed(evaluate_batch)(work, batch) for batch in batches)
        except KilledWorker as error:
            raise SimulationError(
                f"the cluster lost every worker that took one of the batches: {error}",
                "give them more memory; what is done is kept, and the same command goes on from there",
            ) from None
