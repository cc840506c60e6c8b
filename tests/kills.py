"""Kills a command in a process of its own while it is inside a write.

The process stops inside the write, says so and waits, so that the kill cannot land anywhere else.
"""

import io
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from shaftloop.report import files

__all__ = ["TIMES", "Stop", "dying_files", "killed", "stopping_files"]

TIMES = 10
Stop = Callable[[], None]


class _Stopping(io.BufferedIOBase):
    """A file in which a write stops halfway: at a share of its first piece."""

    def __init__(self, file: BinaryIO, share: float, stop: Stop) -> None:
        self.file, self.share, self.stop = file, share, stop

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.file.write(bytes(data)[: int(self.share * len(data))])
        self.file.flush()
        self.stop()
        return len(data)


def stopping_files(name: str, number: int, stop: Stop) -> Callable[[Path], Any]:
    """Return what opens files like `open_atomically`, and stops in one of them.

    Parameters
    ----------
    name : str
        Of that file.
    number : int
        Of `TIMES`: how far the write gets.
    stop : callable
        Stops.
    """
    opened = files.open_atomically

    @contextmanager
    def opening(path: Path) -> Iterator[BinaryIO]:
        with opened(path) as file:
            yield _Stopping(file, number / TIMES, stop) if path.name == name else file  # type: ignore[misc]

    return opening


def dying_files(name: str, look: Callable[[], None]) -> Callable[[Path], Any]:
    """Return what opens files like `open_atomically`, but for copies of this process that die in one of them.

    When the command comes to that file it is copied `TIMES` times, each copy is killed inside its write, a
    little further each time, and the command itself goes on: so it need not run anew for each kill.

    Parameters
    ----------
    name : str
        Of that file.
    look : callable
        Looks at what a copy left.
    """
    opened = files.open_atomically

    @contextmanager
    def opening(path: Path) -> Iterator[BinaryIO]:
        for number in range(TIMES if path.name == name else 0):
            stop = _copied()
            if stop is not None:
                try:
                    with opened(path) as file:
                        yield _Stopping(file, number / TIMES, stop)  # type: ignore[misc]
                finally:
                    os._exit(3)
            look()
        with opened(path) as file:
            yield file

    return opening


def killed(work: Callable[[Stop], Any]) -> None:
    """Do some work in a process that is killed where it stops.

    Parameters
    ----------
    work : callable
        Gets what it calls inside a write.
    """
    stop = _copied()
    if stop is not None:
        try:
            work(stop)
        finally:
            os._exit(3)


def _copied() -> Stop | None:
    """Copy this process; return in the copy what stops it, and here nothing, once it has stopped and died."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:

        def stop() -> None:
            os.write(writing, b"x")
            time.sleep(3600.0)

        return stop
    os.close(writing)
    try:
        assert os.read(reading, 1) == b"x", "the command has come to its end without that write"
    finally:
        os.close(reading)
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    return None
