"""Background processes that render the figures of a run while the solver is working.

They start while the case is laid out, which keeps one processor busy, and load meanwhile what they
draw with; then each waits on its standard input for a result and draws its share of the figures.
Whatever goes wrong with them, the calling process draws the figures itself.
"""

from __future__ import annotations

import json
import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from itertools import zip_longest
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulate.result.result import Result

COUNT = 2
"""Number of processes."""

PATIENCE = 120.0
"""Longest time to wait for the figures [s]."""

TIDYING = 2.0
"""Time a process is given to take away a file half written [s]."""

_WAIT = "from simulate.cli.figure_process import wait_and_draw; wait_and_draw()"


class FigureProcesses:
    """`start` them, `submit` a result, ask for the `files`; gone when the block ends."""

    def __init__(self) -> None:
        self._processes: list[subprocess.Popen[bytes]] = []
        self._senders: list[Thread] = []

    def __enter__(self) -> FigureProcesses:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._processes:
            if process.poll() is None:
                self._stop(process)
            for pipe in (process.stdin, process.stdout):
                with suppress(OSError):
                    pipe.close()  # type: ignore[union-attr]
        for sender in self._senders:
            sender.join()

    def start(self) -> None:
        """Let them load what they need."""
        if sys.executable:
            self._processes = [
                subprocess.Popen(
                    [sys.executable, "-c", _WAIT],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,  # Ctrl-C stops the run, and what there is is drawn
                    env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
                )
                for _ in range(COUNT)
            ]

    def submit(self, result: Result, folder: Path, kinds: Sequence[str]) -> None:
        """Let them draw the usual figures of a result into a folder; returns at once."""
        for n, process in enumerate(self._processes):
            job = (result, folder, tuple(kinds), (n, len(self._processes)))
            self._senders.append(Thread(target=_send, args=(process, job)))
            self._senders[-1].start()

    def files(self) -> list[Path] | None:
        """Wait for the files of the job; None if there are not all of them."""
        if not self._senders:
            return None
        shares: list[list[list[str]]] = []
        try:
            for process in self._processes:
                process.wait(PATIENCE)
                shares.append(json.loads(process.stdout.read()))  # type: ignore[union-attr]
        except (subprocess.TimeoutExpired, ValueError):
            return None
        if any(process.returncode != 0 for process in self._processes):
            return None
        dealt = zip_longest(*shares, fillvalue=[])
        return [Path(file) for figures in dealt for files in figures for file in files]

    def _stop(self, process: subprocess.Popen[bytes]) -> None:
        if self._senders and hasattr(os, "killpg"):
            with suppress(ProcessLookupError, subprocess.TimeoutExpired):
                os.killpg(process.pid, signal.SIGINT)
                process.wait(TIDYING)
        process.kill()
        process.wait()


def _send(process: subprocess.Popen[bytes], job: tuple[object, ...]) -> None:
    """Send the job; a failure shows up as missing files in `FigureProcesses.files`."""
    with suppress(Exception), process.stdin as pipe:  # type: ignore[union-attr]
        pickle.dump(job, pipe, pickle.HIGHEST_PROTOCOL)


def wait_and_draw() -> None:
    """What each process does."""
    from simulate.cli.options import settle_in

    settle_in()
    from simulate.figures.gallery import USUAL, draw_result, drawable
    from simulate.figures.style import get_ready

    get_ready()
    try:
        result, folder, kinds, (own, count) = pickle.load(sys.stdin.buffer)
    except EOFError:
        return  # no job comes any more
    names = [name for name in USUAL if name in drawable(result)][own::count]
    draw_result(result, folder, kinds, figures=names)
    json.dump([[str(folder / f"{name}.{kind}") for kind in kinds] for name in names], sys.stdout)
