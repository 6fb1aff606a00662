"""What the cells do to a run: the case again on coarser cells, and Richardson's estimate.

A run that is asked for its numerical error is done again with cells and stops twice and four times
as coarse, which takes about a sixth of its own time. From the three come the errors of total
current, mean depth, edge ratio and evenness: half-widths of bands that should hold, 19 times in 20,
what the same equations give on ever finer cells (the *numerical uncertainty* of ASME V&V 20-2009 by
the grid convergence index; from memory). Inputs and the model are not in them.

Where rims of openings cut cells the order is taken as 1, theirs; where all rims run along the cells
of all grids, so that the lips above them are fitted (`edges`), it is observed, and held between
1 and 2. Both against finer grids in ``tests/result/test_grid_error.py``.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import isfinite
from types import MappingProxyType

import numpy as np

from simulate.case.case import Case
from simulate.errors import SwabfieldError
from simulate.result.grid_convergence import guarded_uncertainty
from simulate.result.result import Result

SOLVER = 1e-5
"""Relative error that the solves of stops leave, whatever the cells [-]."""

WHOLE = 1e-6
"""Open share of a cell by which it may miss 0 or 1 and count as whole [-]."""

HIGHEST = 2.0
"""Order of the scheme where no rim cuts a cell [-]."""

FACTORS = (2, 4)
"""How much coarser the further runs are."""

_log = logging.getLogger(__name__)


def mean_current(result: Result) -> float:
    """Current through the cell, averaged over the time of all stops [A]."""
    time = float(result.dwell.sum())
    return float((result.current * result.dwell).sum()) / time if time > 0.0 else float("nan")


def _from_summary(name: str) -> Callable[[Result], float]:
    def value(result: Result) -> float:
        found = result.summary[name]["value"]
        return float("nan") if found is None else float(found)

    return value


QUANTITIES: Mapping[str, Callable[[Result], float]] = MappingProxyType(
    {
        "current": mean_current,
        "mean_depth": _from_summary("mean_depth"),
        "edge_ratio": _from_summary("edge_ratio"),
        "evenness": _from_summary("evenness"),
    }
)
"""What numerical errors are stated of."""


def coarser(case: Case, factor: float) -> Case:
    """The case on cells and with stops ``factor`` times as coarse, asked for no error."""
    grid = case.grid
    coarse = replace(
        grid,
        cell=grid.cell * factor,
        stop_spacing=grid.stop_spacing * factor,
        refine=False,
    )
    return replace(case, grid=coarse)


def grid_errors(results: Sequence[Result]) -> dict[str, float]:
    """Numerical error of each of `QUANTITIES`, relative to its value on the finest grid [-].

    Parameters
    ----------
    results : of one case, the finest first, each twice as coarse as the one before; two or three.

    Returns
    -------
    dict : without the quantities that do not exist or are 0 on the finest grid; one that is
        missing on a coarser grid is judged by the grids that have it, and left out if alone.
    """
    errors = {}
    for name, value in QUANTITIES.items():
        values = [value(result) for result in results]
        known = next((n for n, one in enumerate(values) if not isfinite(one)), len(values))
        if known >= 2 and values[0] != 0.0:
            highest = HIGHEST if all(map(_along_cells, results[:known])) else None
            band = guarded_uncertainty(values[:known], 2.0, highest=highest)
            errors[name] = band / abs(values[0]) + SOLVER
    return errors


def _along_cells(result: Result) -> bool:
    """Whether the rims of all openings run along the cells."""
    share = result.open_fraction
    return bool((np.minimum(share, 1.0 - share) < WHOLE).all())


def with_grid_error(result: Result, etch: Callable[[Case], Result]) -> Result:
    """A result with the errors of its grid, from runs that ``etch`` does.

    A coarser run that fails or is interrupted is done without; with none, the result stays as it
    is, and a warning is logged.
    """
    results = [result]
    try:
        for factor in FACTORS:
            results.append(etch(coarser(result.case, factor)))
            if results[-1].partial:
                raise KeyboardInterrupt
    except SwabfieldError as error:
        _log.warning("a run on coarser cells failed: %s", error)
    except KeyboardInterrupt:
        _log.warning("runs on coarser cells were interrupted")
    results = [one for one in results if not one.partial]
    if len(results) < 2:
        return result
    return replace(result, numerical={**grid_errors(results), **result.numerical})
