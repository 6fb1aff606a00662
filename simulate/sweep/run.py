"""Many cases over processes or a cluster: one row each, whatever happens to it.

A case is known by the hash of its text and of the version that runs it, so that a sweep goes on
where it was stopped: what is finished lies in the folder, one small file a case, and is not run
again. A case that fails is a row with the reason. A process that dies takes no other case with it:
its pool is made anew, the cases that were running are run again, each alone, and one that has
killed its process twice is a failed row.

Processes are spawned: a script that sweeps does so below ``if __name__ == "__main__":``.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import multiprocessing
import os
import signal
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from importlib import import_module, metadata
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case, parse_case, with_changes
from simulate.errors import Fault, InputError, ResultError, SwabfieldError
from simulate.files import replacing
from simulate.machine import processors
from simulate.run.etch import etch_case
from simulate.sweep.axes import Axis, grid_points, sample_points
from simulate.sweep.table import NUMBERS, Row, Sweep

Doubles = NDArray[np.float64]
Progress = Callable[[int, int], None]
Job = tuple[str, str, tuple[Any, ...]]
"""Text of a case, the name of its file, and the drawings that its stencil names."""

STRIKES = 2
"""Deaths of its process after which a case counts as failed."""

_KEPT = "cases"
_ALONE = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
    "OMP_WAIT_POLICY": "PASSIVE",
}


# The run ------------------------------------------------------------------------------------------


def run_sweep(
    case: Case,
    axes: Sequence[Axis],
    folder: str | os.PathLike[str] | None = None,
    *,
    sample: int | None = None,
    seed: int = 0,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Sweep:
    """Run a case over a grid or a sample of values.

    Parameters
    ----------
    axes : what is varied, as from `simulate.sweep.axes.parse_vary`.
    folder : where finished cases are kept, and looked for; None keeps nothing.
    sample : that many points of a Latin hypercube instead of the full grid; `seed` is its seed.
    executor : runs the cases; of a cluster, as from `cluster_executor`. None takes processes here.
    workers : processes here; as many as there are processors by default.
    progress : called with the cases done and the cases there are.

    Returns
    -------
    Sweep : after a KeyboardInterrupt with the rows up to there, the others waiting.

    Raises
    ------
    InputError : nothing is varied, or a key leads nowhere in the case.
    ResultError : the folder cannot be written.
    """
    points = grid_points(axes) if sample is None else sample_points(axes, sample, seed)
    texts: dict[str, Job] = {}
    rows = [_row(case, axes, point, texts) for point in points]
    if all(row.state == "failed" for row in rows):
        raise InputError(Fault(rows[0].error, "values that make a case", key="vary"))
    found = _kept(folder, texts)
    todo = {digest: text for digest, text in texts.items() if digest not in found}
    total = len(texts)
    answers = _answers(todo, executor, workers or processors())
    with contextlib.suppress(KeyboardInterrupt), contextlib.closing(answers):
        for digest, answer in answers:
            found[digest] = answer
            _keep(folder, digest, answer)
            if progress is not None:
                progress(len(found), total)
    done = tuple(_filled(row, found.get(row.digest)) for row in rows)
    return Sweep(case, tuple(axes), done, sample is not None)


def _row(case: Case, axes: Sequence[Axis], point: tuple[Any, ...], texts: dict[str, Job]) -> Row:
    """The row of a point before its run; its case's text goes into `texts`."""
    changes = {axis.key: value for axis, value in zip(axes, point, strict=True)}
    try:
        changed = with_changes(case, changes)
    except InputError as error:
        return Row(point, "", "failed", error="; ".join(str(fault) for fault in error.faults))
    version = metadata.version("swabfield")
    drawings = " ".join(drawing.sha256 for drawing in changed.drawings)
    seen = f"{version}\n{drawings}\n{changed.text}"
    digest = hashlib.sha256(seen.encode()).hexdigest()
    texts[digest] = (changed.text, changed.path, changed.drawings)
    return Row(point, digest)


def _filled(row: Row, answer: Mapping[str, Any] | None) -> Row:
    if answer is None:
        return row
    state = "failed" if answer["error"] else "done"
    return Row(row.values, row.digest, state, dict(answer["numbers"]), answer["error"])


def run_text(text: str, name: str = "case.toml", drawings: Sequence[Any] = ()) -> dict[str, Any]:
    """Etch the case of a text in this process; numbers, or the reason why there are none."""
    try:
        case = parse_case(text, name, drawings)
        result = etch_case(case, workers=1)
        if result.partial:
            return {"numbers": {}, "error": "interrupted"}
        summary = result.summary
    except SwabfieldError as error:
        return {"numbers": {}, "error": " ".join(str(error).split())}
    numbers = {name: summary[name]["value"] for name in NUMBERS if name in summary}
    if case.aim.depth is not None and numbers["mean_depth"]:
        numbers["time_to_depth"] = numbers["duration"] * case.aim.depth / numbers["mean_depth"]
    kept = {name: value for name, value in numbers.items() if value is not None}
    return {"numbers": kept, "error": ""}


# Processes ----------------------------------------------------------------------------------------


def _answers(
    todo: Mapping[str, Job], executor: Executor | None, workers: int
) -> Generator[tuple[str, dict[str, Any]], None, None]:
    """Answers by digest as they come."""
    if executor is not None:
        yield from _drain(list(todo), dict(todo), executor, len(todo), {})
        return
    left, strikes = dict(todo), dict.fromkeys(todo, 0)
    with _environment(_ALONE):
        while left:
            # Those that ran when a process died wait for the end and run alone, so that the
            # guilty one is known.
            trusted = [digest for digest in left if not strikes[digest]]
            at_once = min(workers, len(trusted)) or 1
            with _pool(at_once) as pool:
                yield from _drain(trusted or list(left), left, pool, at_once, strikes)
            for digest in [d for d in left if strikes[d] >= STRIKES]:
                del left[digest]
                yield digest, {"numbers": {}, "error": _DIED}


_DIED = (
    f"its process died {STRIKES} times: out of memory, killed, or, in a script, swept outside "
    'of `if __name__ == "__main__":`'
)


def _drain(
    queue: list[str],
    left: dict[str, Job],
    executor: Executor,
    at_once: int,
    strikes: dict[str, int],
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Answers of one executor to a queue; what is answered leaves `left`.

    A pool that breaks ends this, with a strike for each case that was running.
    """
    running: dict[Future[dict[str, Any]], str] = {}
    while queue or running:
        try:
            while queue and len(running) < at_once:
                running[executor.submit(run_text, *left[queue[0]])] = queue[0]
                queue.pop(0)
        except (BrokenExecutor, OSError) as refusal:
            # a pool that breaks while it starts a process has closed the pipes that process needs
            own = isinstance(executor, ProcessPoolExecutor)
            if isinstance(refusal, OSError) and not (own and running):
                raise
            _strike(running, strikes)
            return
        # dask's futures go through `wait` too, for its executor hands out those of the library
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        if any(isinstance(future.exception(), BrokenExecutor) for future in done):
            _strike(running, strikes)
            return
        for future in done:
            digest = running.pop(future)
            error = future.exception()
            answer = {"numbers": {}, "error": _worded(error)} if error else future.result()
            del left[digest]
            yield digest, answer


def _strike(running: Mapping[Any, str], strikes: dict[str, int]) -> None:
    for digest in running.values():
        strikes[digest] = strikes.get(digest, 0) + 1


def _worded(error: BaseException) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split())}".rstrip(": ")


@contextlib.contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Spawned processes that leave Ctrl-C to their parent; ended at once when it stops early."""
    before = {child.pid for child in multiprocessing.active_children()}
    pool = ProcessPoolExecutor(
        workers, multiprocessing.get_context("spawn"), initializer=_leave_interrupts
    )
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for child in multiprocessing.active_children():
            if child.pid not in before:
                child.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def _leave_interrupts() -> None:
    """Let the parent alone hear Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextlib.contextmanager
def _environment(values: Mapping[str, str]) -> Iterator[None]:
    """Variables for the processes that are started meanwhile; then as before."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """The executor of a cluster by the address of its scheduler; needs the extra ``cluster``.

    Raises
    ------
    ResultError : the library is not installed, or nobody answers.
    """
    try:
        distributed = import_module("dask.distributed")
    except ImportError as error:
        raise ResultError("a cluster needs dask: pip install 'swabfield[cluster]'") from error
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise ResultError(f"{address}: no scheduler answers: {_worded(error)}") from error
    with client:
        yield client.get_executor(pure=False)


# The folder ---------------------------------------------------------------------------------------


def _kept(
    folder: str | os.PathLike[str] | None, texts: Mapping[str, Job]
) -> dict[str, dict[str, Any]]:
    """Finished cases that lie in a folder; failed ones are tried again."""
    found: dict[str, dict[str, Any]] = {}
    if folder is None:
        return found
    for digest in texts:
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            kept = json.loads((Path(folder) / _KEPT / f"{digest}.json").read_text("utf-8"))
            if not kept["error"] and set(kept["numbers"]) <= set(NUMBERS):
                found[digest] = kept
    return found


def _keep(folder: str | os.PathLike[str] | None, digest: str, answer: Mapping[str, Any]) -> None:
    """Keep one case's answer, whole or not at all."""
    if folder is None:
        return
    place = Path(folder) / _KEPT
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultError(f"{place}: cannot be made: {error.strerror}") from error
    with replacing(place / f"{digest}.json") as part:
        part.write_text(json.dumps(answer) + "\n", encoding="utf-8")
