"""Batches over the cores of this machine. A process that is killed costs time, never a candidate."""

import multiprocessing
import os
import signal
import threading
from collections import Counter, deque
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as wait_for
from typing import Any

from shaftloop.studies.whatif.evaluate import Batch, Row, Work, evaluate_batch, lost

__all__ = ["Processes"]

_AHEAD = 2
"""Batches per process that are handed out before their turn."""
_TRIES = 2
"""How often a candidate may end a process that works on it alone."""
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Processes:
    """A `Runner` over processes.

    Parameters
    ----------
    count : int
        How many.
    """

    count: int

    def __call__(self, work: Work, batches: Iterable[Batch]) -> Generator[list[Row], None, None]:
        """Yield rows as they come.

        Parameters
        ----------
        work : Work
            What is asked.
        batches : iterable of Batch
            Candidates; taken as processes get free.
        """
        source = iter(batches)
        while True:
            crew = _Crew(self.count, _AHEAD * self.count)
            yield from crew.run(work, source)
            if not crew.suspects:
                return
            yield from _carefully(work, deque(crew.suspects))


def _carefully(work: Work, suspects: deque[Batch]) -> Iterator[list[Row]]:
    """Yield the rows of batches of which one ended a process: one batch at a time shows which one."""
    ends: Counter[int] = Counter()
    while suspects:
        crew = _Crew(1, 1)
        yield from crew.run(work, _taken(suspects))
        for batch in crew.suspects:
            if len(batch) > 1:
                suspects.extendleft([item] for item in reversed(batch))
                continue
            number = batch[0][0]
            ends[number] += 1
            if ends[number] < _TRIES:
                suspects.appendleft(batch)
            else:
                yield [lost(number)]


def _taken(suspects: deque[Batch]) -> Iterator[Batch]:
    while suspects:
        yield suspects.popleft()


@dataclass
class _Crew:
    """One pool, up to the end of the work or of the pool."""

    count: int
    most: int
    """Batches that are handed out at a time."""
    suspects: list[Batch] = field(default_factory=list)
    """Batches that were handed out when a process of the pool ended."""

    def run(self, work: Work, source: Iterator[Batch]) -> Iterator[list[Row]]:
        """Yield rows as they come, until the source or the pool has come to its end."""
        context = _context()
        held, stop = context.Pipe(duplex=False)
        with _single_threaded(), held, stop:
            pool = ProcessPoolExecutor(self.count, context, initializer=_prepare, initargs=(held,))
            try:
                yield from self._spread(pool, work, source)
            except BaseException:
                # A batch may have long to go after Ctrl-C: processes end once the pipe is closed.
                stop.close()
                raise
            finally:
                pool.shutdown(cancel_futures=True)

    def _spread(self, pool: ProcessPoolExecutor, work: Work, source: Iterator[Batch]) -> Iterator[list[Row]]:
        out: dict[Future[list[Row]], Batch] = {}
        while True:
            while not self.suspects and len(out) < self.most and (batch := next(source, None)) is not None:
                try:
                    out[pool.submit(evaluate_batch, work, batch)] = batch
                except BrokenProcessPool:
                    self.suspects.append(batch)
            if not out:
                return
            for future in wait(out, return_when=FIRST_COMPLETED).done:
                batch = out.pop(future)
                try:
                    rows = future.result()
                except BrokenProcessPool:
                    self.suspects.append(batch)
                else:
                    yield rows


def _context() -> multiprocessing.context.BaseContext:
    """Return how processes are made: copies of one that has imported everything, where there is such."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([evaluate_batch.__module__])
    return context


@contextmanager
def _single_threaded() -> Iterator[None]:
    """Keep the libraries of new processes to one thread each; cores are taken by processes."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _prepare(held: Connection) -> None:
    """Leave Ctrl-C to the process that runs the study, and end with it or when it closes the pipe."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    sentinels = [held] if parent is None else [held, parent.sentinel]
    threading.Thread(target=_end_with, args=(sentinels,), daemon=True).start()


def _end_with(sentinels: list[Any]) -> None:
    wait_for(sentinels)
    os._exit(1)
