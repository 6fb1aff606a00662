"""What a stencil file may cost, and how one is refused.

A file comes from anywhere.  Its size is looked at before it is read, its header before it is
unpacked, its crossings before they are computed; whatever goes beyond is refused in one line that
names the file and the reason.  The numbers are ours: far above a stencil that can be cut, low
enough for a second or two of work and a few hundred megabytes.
"""

from __future__ import annotations

import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError

Floats = NDArray[np.float64]

MAX_POINTS = 40_000  # points of all outlines together
MAX_PIECES = 2_500  # shapes, or areas in the end
MAX_CROSSINGS = 25_000  # pairs of sides that may cross, neighbours not counted
MAX_LENGTH = 10.0  # farthest coordinate [m]
LEAST_LENGTH = 1e-6  # smallest extent of a drawing [m]
PAIRS_AT_ONCE = 2_000_000  # bounds the memory of one look for crossings


def refuse(path: Path, problem: str, expected: str = "") -> NoReturn:
    """Raise InputError with one line: the file's name, what is wrong, what would be accepted."""
    raise InputError(Fault(one_line(problem), expected, file=shown_name(path)))


def one_line(text: object, most: int = 160) -> str:
    """Any text as one printable line of bounded length."""
    line = " ".join("".join(c if c.isprintable() else " " for c in str(text)[: 4 * most]).split())
    line = line.rstrip(".")
    return line if len(line) <= most else line[: most - 3] + "..."


def shown_name(path: Path) -> str:
    """The name a person gave; of an absolute path only its last part, to be shareable."""
    return one_line(path.name if path.is_absolute() else path.as_posix())


def read_bytes(path: Path, most: int) -> bytes:
    """The content of a regular file of no more than ``most`` bytes; anything else is refused."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            refuse(path, "not a file", "a regular file")
        if status.st_size > most:
            refuse(
                path, f"{status.st_size / 1e6:.1f} MB is too large", f"at most {most / 1e6:g} MB"
            )
        with path.open("rb") as stream:
            content = stream.read(most + 1)
    except InputError:
        raise
    except (OSError, ValueError) as error:
        refuse(path, f"cannot be opened: {getattr(error, 'strerror', None) or error}")
    if len(content) > most:
        refuse(path, "it grows while it is read", f"at most {most / 1e6:g} MB")
    return content


def check_outlines(path: Path, lines: Sequence[Floats], reaches: Sequence[float] = ()) -> None:
    """Refuse outlines (n, 2) each [m] that are not finite, too far out, too many or too tangled.

    reaches : how far each line's stroke goes to either side [m]; none if not given.
    """
    if sum(map(len, lines)) > MAX_POINTS:
        refuse(path, f"more than {MAX_POINTS} points", "a simpler drawing")
    if len(lines) > 2 * MAX_PIECES:
        refuse(path, f"more than {2 * MAX_PIECES} outlines", "a simpler drawing")
    if not max(reaches, default=0.0) <= MAX_LENGTH:
        refuse(path, "a stroke is wider than 10 m", "a drawing in true size")
    for line in lines:
        if not np.isfinite(line).all():
            refuse(path, "a coordinate is not a finite number", "numbers")
        if np.abs(line).max(initial=0.0) > MAX_LENGTH:
            refuse(path, "a coordinate is beyond 10 m", "a drawing in true size")
    _check_crossings(path, lines, reaches or [0.0] * len(lines))


def _check_crossings(path: Path, lines: Sequence[Floats], reaches: Sequence[float]) -> None:
    """Refuse when too many sides may cross each other, judged by the boxes round them."""
    import shapely

    sides = [np.hstack([line[:-1], line[1:]]) for line in lines if len(line) > 1]
    if not sides:
        return
    ends = np.concatenate(sides)
    reach = np.concatenate(
        [np.full(max(len(p) - 1, 0), r) for p, r in zip(lines, reaches, strict=True)]
    )
    low = np.minimum(ends[:, :2], ends[:, 2:]) - reach[:, None]
    high = np.maximum(ends[:, :2], ends[:, 2:]) + reach[:, None]
    boxes = shapely.box(*low.T, *high.T)
    tree = shapely.STRtree(boxes)
    block = max(1, PAIRS_AT_ONCE // len(boxes))
    excess = -4 * len(boxes)  # each side meets itself, its neighbours, and one in passing
    for start in range(0, len(boxes), block):
        excess += tree.query(boxes[start : start + block]).shape[1]
        if excess > 2 * MAX_CROSSINGS:
            refuse(path, "the outlines cross each other too often", "outlines drawn once")


def check_area(path: Path, area: Any) -> None:
    """Refuse an area that is empty, beyond bounds, or of too many pieces or points."""
    import shapely

    if area.is_empty:
        refuse(path, "it draws no opening", "filled shapes or strokes")
    if shapely.get_num_coordinates(area) > MAX_POINTS:
        refuse(path, f"the openings have more than {MAX_POINTS} points", "a simpler drawing")
    if len(area.geoms) > MAX_PIECES:
        refuse(path, f"more than {MAX_PIECES} openings", "a simpler drawing")
    left, bottom, right, top = area.bounds
    if max(map(abs, (left, bottom, right, top))) > MAX_LENGTH:
        refuse(path, "a coordinate is beyond 10 m", "a drawing in true size")
    if min(right - left, top - bottom) < LEAST_LENGTH:
        refuse(path, "the openings are less than 1 um across", "a drawing in true size")
