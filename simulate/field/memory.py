"""Memory estimate of a solve; refuses a box that would not fit."""

from __future__ import annotations

from simulate.errors import CapacityError
from simulate.machine import available_memory

BYTES_PER_ENTRY = 64
"""Memory of `solve_potential` for each entry of a packed array [B]; a test holds it."""

BYTES_PER_ENTRY_OF_A_ROW = 80
"""The same where the plan is one row of cells, whose levels halve and do not quarter."""

BYTES_PER_COLUMN = 150
"""Further memory for each column of cells, for rows and electrode faces [B]."""

USABLE = 0.95
"""Fraction of the available memory that a solve may take [-]."""


def packed_size(shape: tuple[int, int, int]) -> int:
    """Upper bound on the entries of a packed array for a box of ``shape = (nz, ny, nx)``."""
    nz, ny, nx = shape
    return ny * (nz * (nx // 16 * 16 + 17) + 16) + nx + 96


def memory_needed(shape: tuple[int, int, int], size: int | None = None) -> float:
    """Memory that `solve_potential` takes for a box of ``shape = (nz, ny, nx)`` [B].

    size : entries of a packed array; without it, as if every cell were solved for.
    """
    entries = packed_size(shape) if size is None else size
    per_entry = BYTES_PER_ENTRY_OF_A_ROW if 1 in shape[1:] else BYTES_PER_ENTRY
    return float(entries * per_entry + shape[1] * shape[2] * BYTES_PER_COLUMN)


def require_memory(
    shape: tuple[int, int, int], size: int | None = None, *, available: float | None = None
) -> None:
    """Refuse a box whose solve would not fit; see `memory_needed`.

    Raises
    ------
    CapacityError : with the numbers, and by how much coarser a cell would fit.
    """
    needed = memory_needed(shape, size)
    room = available_memory() if available is None else available
    if needed > USABLE * room:
        share = needed / memory_needed(shape)
        raise CapacityError(
            f"{shape[2]} x {shape[1]} x {shape[0]} cells need {needed / 2**30:.1f} GiB, "
            f"{room / 2**30:.1f} GiB are free; cells {_widening(shape, room / share):.2f} times as "
            "wide would fit"
        )


def _widening(shape: tuple[int, int, int], room: float) -> float:
    """How many times as wide the cells of a box must be to fit, in hundredths."""
    hundredths = 101
    while True:
        nz, ny, nx = (-(-100 * n // hundredths) for n in shape)
        if memory_needed((nz, ny, nx)) <= USABLE * room or max(nz, ny, nx) == 1:
            return hundredths / 100
        hundredths = max(hundredths + 1, int(1.002 * hundredths))
