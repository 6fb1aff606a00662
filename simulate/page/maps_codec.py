"""Codec of the page's maps: thinned, quantised to bytes, deflated, base64."""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.result.result import Result

Doubles = NDArray[np.float64]


STEPS = 255
"""Steps of a map between nothing and its maximum."""


THINNINGS = ((24, 1), (12, 1), (12, 2), (6, 2), (6, 4), (3, 8))
"""Most moments kept, and cells joined to one along each side, from the finest page down."""


MARGIN = 4  # cells shown around the openings


@dataclass(frozen=True, eq=False)
class Maps:
    """The maps of one run as the page holds them.

    Parameters
    ----------
    depth : [m], (moments, ny, nx), or one map where the run did not follow depth.
    density : current density [A/m2], (moments, ny, nx). open_fraction : [-], (ny, nx).
    moments : which of the maps the run kept, (moments,).
    rows, columns : cells of the run's maps that are shown.
    join : so many of them along each side make one cell of the page.
    """

    depth: Doubles
    density: Doubles
    open_fraction: Doubles
    moments: NDArray[np.int64]
    rows: slice
    columns: slice
    join: int


# --- the maps ---------------------------------------------------------------------------------


def cut_maps(result: Result, most: int = THINNINGS[0][0], join: int = 1) -> Maps:
    """Crop a run's maps to its openings, thin them in time, join cells.

    Parameters
    ----------
    most : moments kept at most, spread evenly over those of the run, first and last among them.
    join : cells joined to one along each side; a joined cell has the mean over its open area.
    """
    rows, columns = (_span(result.open_fraction.max(axis=axis)) for axis in (1, 0))
    count = result.sample_stop.size
    moments = np.unique(np.linspace(0, count - 1, min(most, count)).round().astype(np.int64))
    weight = result.open_fraction[rows, columns]
    depth = result.depth[None] if result.sample_depth is None else result.sample_depth[moments]

    def fit(maps: NDArray[Any]) -> Doubles:
        return _joined(maps[:, rows, columns].astype(np.float64), weight, join)

    return Maps(
        depth=fit(depth),
        density=fit(result.sample_density[moments]),
        open_fraction=_joined(weight[None], np.ones_like(weight), join)[0],
        moments=moments,
        rows=rows,
        columns=columns,
        join=join,
    )


def _span(is_open: Doubles) -> slice:
    """From the first to the last that is open, with a margin."""
    where = np.flatnonzero(is_open)
    return slice(max(int(where[0]) - MARGIN, 0), min(int(where[-1]) + MARGIN + 1, is_open.size))


def _joined(maps: Doubles, weight: Doubles, join: int) -> Doubles:
    """Means over join x join cells of maps (n, ny, nx), weighted by (ny, nx)."""
    if join == 1:
        return maps
    ny, nx = weight.shape
    pad = ((0, -ny % join), (0, -nx % join))
    shape = (-(-ny // join), join, -(-nx // join), join)
    heavy = np.pad(maps * weight, ((0, 0), *pad)).reshape(-1, *shape).sum(axis=(2, 4))
    light = np.pad(weight, pad).reshape(shape).sum(axis=(1, 3))
    return np.asarray(np.divide(heavy, light, out=np.zeros_like(heavy), where=light > 0.0))


def pack_maps(maps: Doubles, largest: float) -> str:
    """Maps (n, ny, nx) as text: steps of ``largest`` / `STEPS`, differences in time, deflate."""
    steps = np.zeros(maps.shape, np.uint8)
    if largest > 0.0:
        steps = np.clip(np.rint(maps * (STEPS / largest)), 0, STEPS).astype(np.uint8)
    steps[1:] -= steps[:-1].copy()
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = squeezer.compress(steps.tobytes()) + squeezer.flush()
    return base64.b64encode(packed).decode("ascii")


def unpack_maps(text: str, shape: tuple[int, int, int], largest: float) -> Doubles:
    """What `pack_maps` was given, to half a step."""
    raw = zlib.decompress(base64.b64decode(text), -zlib.MAX_WBITS)
    steps = np.frombuffer(raw, np.uint8).reshape(shape)
    return np.asarray(np.cumsum(steps, axis=0, dtype=np.uint8) * (largest / STEPS))
