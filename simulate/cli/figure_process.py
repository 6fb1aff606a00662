"""A process that draws a run's figures, and is ready to by the time the run is done.

It starts while the case is laid out, which keeps one processor busy, and loads meanwhile what it
draws with; then it waits on its standard input for a result. Where a process can safely be split in
two, two draw side by side. Whatever goes wrong with it, this process draws the figures itself.
"""

from __future__ import annotations

import json
import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulate.result.result import Result

PATIENCE = 120.0
"""Longest time to wait for its figures [s]."""

TIDYING = 2.0
"""Time it is given to take away a file half written [s]."""

_WAIT = "from simulate.cli.figure_process import wait_and_draw; wait_and_draw()"


class Artist:
    """`start` it, give it an `order`, ask for the `drawn` files; gone when the block ends."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._sender: Thread | None = None

    def __enter__(self) -> Artist:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is None:
            return
        if self._process.poll() is None:
            self._stop(self._process)
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                pipe.close()  # type: ignore[union-attr]
        if self._sender is not None:
            self._sender.join()

    def start(self) -> None:
        """Let it load what it needs."""
        if sys.executable:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _WAIT],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C stops the run, and what there is is drawn
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # it is split, threads are not
            )

    def order(self, result: Result, folder: Path, kinds: Sequence[str]) -> None:
        """Let it draw the usual figures of a result into a folder; returns at once."""
        if self._process is not None:
            self._sender = Thread(target=self._send, args=((result, folder, tuple(kinds)),))
            self._sender.start()

    def drawn(self) -> list[Path] | None:
        """Wait for the files of the order; None if there are not all of them."""
        if self._process is None or self._sender is None:
            return None
        try:
            self._process.wait(PATIENCE)
            names = json.loads(self._process.stdout.read())  # type: ignore[union-attr]
        except (subprocess.TimeoutExpired, ValueError):
            return None
        return [Path(name) for name in names] if self._process.returncode == 0 else None

    def _send(self, order: tuple[Result, Path, tuple[str, ...]]) -> None:
        """Hand an order over; what fails here is missed by `drawn`."""
        with suppress(Exception), self._process.stdin as pipe:  # type: ignore[union-attr]
            pickle.dump(order, pipe, pickle.HIGHEST_PROTOCOL)

    def _stop(self, process: subprocess.Popen[bytes]) -> None:
        """End it, and its twin."""
        if self._sender is not None and hasattr(os, "killpg"):
            with suppress(ProcessLookupError, subprocess.TimeoutExpired):
                os.killpg(process.pid, signal.SIGINT)
                process.wait(TIDYING)
        process.kill()
        process.wait()


def wait_and_draw() -> None:
    """What the process does."""
    from simulate.cli.options import settle_in

    settle_in()
    from simulate.figures.gallery import USUAL, draw_result, drawable
    from simulate.figures.style import get_ready, read_fonts_whole

    read_fonts_whole()
    get_ready()
    try:
        result, folder, kinds = pickle.load(sys.stdin.buffer)
    except EOFError:
        return  # nobody orders any more
    names = [name for name in USUAL if name in drawable(result)]
    share(len(names), lambda n: draw_result(result, folder, kinds, figures=[names[n]]))
    json.dump([str(folder / f"{name}.{kind}") for name in names for kind in kinds], sys.stdout)


def share(count: int, work: Callable[[int], object]) -> None:
    """Do ``work(0)`` to ``work(count - 1)``, in two processes where one can be split safely.

    Whichever is free takes the next number from a pipe that holds one byte for each.
    """
    turns, ends = os.pipe()
    os.write(ends, bytes(range(count)))
    os.close(ends)
    twin = os.fork() if sys.platform == "linux" else None
    try:
        while turn := os.read(turns, 1):
            work(turn[0])
    except BaseException:
        if twin == 0:
            os._exit(1)
        raise
    if twin == 0:
        os._exit(0)
    if twin is not None and os.waitpid(twin, 0)[1] != 0:
        raise ChildProcessError("the twin did not draw its figures")
