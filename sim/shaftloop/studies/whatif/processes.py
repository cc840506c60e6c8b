"""Batches over the cores of this machine. A process that is killed costs time, never a candidate."""

import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as wait_for
from multiprocessing.synchronize import Lock
from typing import Any

from shaftloop.kernels.store import KernelWarning
from shaftloop.studies.whatif.evaluate import Batch, Row, Work, evaluate_batch, lost

__all__ = ["Processes", "spread"]

_AHEAD = 2
"""Batches per process that are handed out before their turn."""
_TRIES = 2
"""How often a candidate may end a process that works on it alone."""
_ENVIRONMENT = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    # Without it a module of the same name in the working folder would run in place of a library.
    "PYTHONSAFEPATH": "1",
}
"""Of new processes: libraries keep to one thread each, for cores are taken by processes."""


@dataclass(frozen=True)
class Processes:
    """A `Runner` over so many processes."""

    count: int

    def __call__(self, work: Work, batches: Iterable[Batch]) -> Generator[list[Row], None, None]:
        """Yield rows as they come; batches are taken as processes get free."""
        source = iter(batches)
        while True:
            crew = _WorkerCrew(self.count, _AHEAD * self.count)
            yield from crew.run(work, source)
            if not crew.suspects:
                return
            yield from _carefully(work, deque(crew.suspects))


def _carefully(work: Work, suspects: deque[Batch]) -> Iterator[list[Row]]:
    """Yield the rows of batches of which one ended a process: one batch at a time shows which one."""
    ends: Counter[int] = Counter()
    while suspects:
        crew = _WorkerCrew(1, 1)
        yield from crew.run(work, _taken(suspects))
        for batch in crew.suspects:
            if len(batch.candidates) > 1:
                left = set(batch.left)
                suspects.extendleft(Batch((c,)) for c in reversed(batch.candidates) if c[0] in left)
                continue
            (number,) = batch.left
            ends[number] += 1
            if ends[number] < _TRIES:
                suspects.appendleft(batch)
            else:
                yield [lost(number)]


def _taken(suspects: deque[Batch]) -> Iterator[Batch]:
    while suspects:
        yield suspects.popleft()


@dataclass
class _WorkerCrew:
    """One pool, up to the end of the work or of the pool."""

    count: int
    most: int
    """Batches that are handed out at a time."""
    suspects: list[Batch] = field(default_factory=list)
    """Batches that were handed out when a process of the pool ended."""

    def run(self, work: Work, source: Iterator[Batch]) -> Iterator[list[Row]]:
        """Yield rows as they come, until the source or the pool has come to its end."""
        context = _context()
        with _set_for_new_processes(context):
            held, stop = context.Pipe(duplex=False)
            with held, stop:
                pool = ProcessPoolExecutor(self.count, context, _prepare, (held, context.Lock()))
                try:

                    def submit(batch: Batch) -> Future[list[Row]]:
                        return pool.submit(evaluate_batch, work, batch)

                    yield from spread(submit, source, self.most, BrokenProcessPool, self.suspects)
                except BaseException:
                    # A batch may have long to go after Ctrl-C: processes end once the pipe is closed.
                    stop.close()
                    raise
                finally:
                    pool.shutdown(cancel_futures=True)


def spread(
    submit: Callable[[Batch], Future[list[Row]]],
    source: Iterator[Batch],
    most: int,
    ended: type[Exception],
    suspects: list[Batch],
) -> Iterator[list[Row]]:
    """Yield rows as they come, until the source or what works on it has come to its end.

    `submit` has a batch evaluated elsewhere, `most` of them at a time. Where a worker ended, the future
    raises `ended` and `suspects` takes the batches that were handed out; nothing is handed out from then on.
    """
    out: dict[Future[list[Row]], Batch] = {}
    parts: deque[Batch] = deque()
    while True:
        while not suspects and len(out) < most:
            batch = parts.popleft() if parts else next(source, None)
            if batch is None:
                break
            try:
                out[submit(batch)] = batch
            except ended:
                suspects.append(batch)
        if not out:
            suspects.extend(parts)
            return
        for future in wait(out, return_when=FIRST_COMPLETED).done:
            batch = out.pop(future)
            try:
                rows = future.result()
            except ended:
                suspects.append(batch)
            else:
                yield rows
                if (rest := batch.without(rows)).left:
                    parts.append(rest)


def _context() -> multiprocessing.context.BaseContext:
    """Return how processes are made: copies of one that has imported everything, where there is such."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([evaluate_batch.__module__])
    return context


@contextmanager
def _set_for_new_processes(context: multiprocessing.context.BaseContext) -> Iterator[None]:
    """Set what new processes take over; those that make others never see Ctrl-C."""
    before = {name: os.environ.get(name) for name in _ENVIRONMENT}
    os.environ.update(_ENVIRONMENT)
    try:
        if context.get_start_method() == "forkserver":
            with _deaf():
                forkserver.ensure_running()
            # Once this one is there imports are made: an interrupt in their seconds meets no half-made pool.
            first = context.Process(target=_nothing)  # type: ignore[attr-defined]
            first.start()
            first.join()
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _nothing() -> None:
    pass


@contextmanager
def _deaf() -> Iterator[None]:
    """Ignore Ctrl-C for the moment in which a process is begun, which then ignores it for good."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _prepare(held: Connection, unsaid: Lock) -> None:
    """Leave Ctrl-C to the process that runs the study, and end with it or when it closes the pipe."""
    warnings.showwarning = partial(_say_once, unsaid)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    sentinels = [held] if parent is None else [held, parent.sentinel]
    threading.Thread(target=_end_with, args=(sentinels,), daemon=True).start()


def _say_once(unsaid: Lock, message: Warning | str, category: type[Warning], *_: Any) -> None:
    """Say a warning; that kernels are compiled, which every process has to tell, in one of them alone."""
    if not issubclass(category, KernelWarning) or unsaid.acquire(block=False):
        sys.stderr.write(f"warning: {message}\n")


def _end_with(sentinels: list[Any]) -> None:
    wait_for(sentinels)
    os._exit(1)
