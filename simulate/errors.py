"""Exceptions, and how a fault is worded.

The tree::

    SwabfieldError
    ├── InputError        what the user wrote cannot be used; carries every fault found
    ├── CapacityError     the case does not fit in memory
    ├── ConvergenceError  a solve stopped before its tolerance
    └── ResultError       a stored result cannot be read or written
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input.

    Parameters
    ----------
    problem : what is wrong, without the place.
    expected : what would be accepted.
    file, line, key, value : the place, as far as it is known; ``line`` counts from 1.
    """

    problem: str
    expected: str = ""
    file: str = ""
    line: int | None = None
    key: str = ""
    value: str = ""

    def __str__(self) -> str:
        """One line: ``file:line: key = value: problem; expected ...``."""
        place = self.file
        if self.line is not None:
            place += f":{self.line}"
        subject = f"{self.key} = {self.value}" if self.key and self.value else self.key
        head = ": ".join(part for part in (place, subject) if part)
        tail = f"{self.problem}; expected {self.expected}" if self.expected else self.problem
        return f"{head}: {tail}" if head else tail


class SwabfieldError(Exception):
    """Root of every exception this package raises on purpose."""


class InputError(SwabfieldError, ValueError):
    """An input that cannot be used.

    Parameters
    ----------
    faults : one `Fault` or several; all of them are shown.
    """

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class CapacityError(SwabfieldError, MemoryError):
    """The case needs more memory than there is; the message gives the cell size that fits."""


class ConvergenceError(SwabfieldError, ArithmeticError):
    """A solve stopped before its tolerance.

    Parameters
    ----------
    what : the thing that was being solved.
    residual, tolerance : where it stopped and where it should have stopped, relative [-].
    iterations : how many were done.
    remedy : what to try.
    """

    def __init__(
        self, what: str, *, residual: float, tolerance: float, iterations: int, remedy: str
    ) -> None:
        self.residual = residual
        self.tolerance = tolerance
        self.iterations = iterations
        self.remedy = remedy
        super().__init__(
            f"{what} did not converge: residual {residual:.2e} after {iterations} iterations, "
            f"tolerance {tolerance:.0e}; {remedy}"
        )


class ResultError(SwabfieldError, OSError):
    """A stored result cannot be read or written."""
