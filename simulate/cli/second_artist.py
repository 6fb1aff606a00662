"""A second process that draws some of a run's figures while this one draws the others.

It loads what it needs while the run is still being computed, and waits for its order on its
standard input. Whatever goes wrong with it, this process draws all the figures itself.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

WORTHWHILE = 60
"""Fields in a run from which on a second process gains more than it costs."""

PATIENCE = 120.0
"""Longest time to wait for its figures [s]."""

_WAIT = "from simulate.cli.second_artist import wait_and_draw; wait_and_draw()"


class SecondArtist:
    """Starts once a run turns out to be long; see `expect`, `order` and `finished`."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> SecondArtist:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            if self._process.stdin is not None:
                self._process.stdin.close()
            self._process.kill()
            self._process.wait()

    def expect(self, fields: int) -> None:
        """Get ready if a run of so many fields makes it worth while."""
        if self._process is None and fields >= WORTHWHILE and sys.executable:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _WAIT],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )

    def order(self, run: Path, folder: Path, names: Sequence[str], kinds: Sequence[str]) -> bool:
        """Let it draw figures of a result's file into a folder; False if there is nobody to."""
        if self._process is None or self._process.stdin is None:
            return False
        order = {"run": str(run), "folder": str(folder), "names": [*names], "kinds": [*kinds]}
        try:
            self._process.stdin.write(json.dumps(order).encode() + b"\n")
            self._process.stdin.close()
        except OSError:
            return False
        return True

    def finished(self) -> bool:
        """Wait until it is done; whether all went well."""
        if self._process is None:
            return False
        try:
            return self._process.wait(PATIENCE) == 0
        except subprocess.TimeoutExpired:
            return False


def wait_and_draw() -> None:
    """What the second process does."""
    from simulate.figures import draw_result
    from simulate.figures.style import get_ready
    from simulate.result import read_result

    get_ready()
    line = sys.stdin.readline()
    if line:
        order = json.loads(line)
        result = read_result(order["run"])
        draw_result(result, order["folder"], order["kinds"], figures=order["names"])
