"""Every kind of export by name."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.errors import Fault, InputError
from simulate.files import replacing
from simulate.result.result import Result

if TYPE_CHECKING:
    pass
from simulate.export.surfaces import write_ply, write_stl, write_vtu
from simulate.export.tables import write_cells, write_png, write_stops
from simulate.export.vtk import write_maps


def export_result(
    result: Result, path: str | os.PathLike[str], kind: str, *, exaggeration: float = 1.0
) -> Path:
    """Write a result for other programs. The same result gives the same bytes.

    Parameters
    ----------
    result : what to write.
    path : name of the file, which need not end in its kind; `file_name` proposes one.
    kind : one of `KINDS`:

        - ``vtu``: depth as a surface of quadrangles, with the maps at its vertices;
        - ``vtr``: all maps as cells in the plate's plane;
        - ``stl``: depth as a closed solid, 1 mm thick below the deepest point, to be printed;
        - ``ply``: depth as a surface of triangles, coloured as in the figures;
        - ``csv``: table of the cells that are open at all;
        - ``stops``: table of the stops, also CSV;
        - ``png16``: depth as grey levels, 16 bits deep, one pixel per cell; scale in its text.
    exaggeration : factor on depth in ``vtu``, ``stl`` and ``ply`` [-]; the others are to scale.

    Raises
    ------
    InputError
        If the kind is not known, or the exaggeration is not above zero.
    ResultError
        If the file cannot be written, or the cells do not suit the kind.
    """
    faults = []
    if kind not in KINDS:
        faults.append(Fault("not known", "one of " + ", ".join(KINDS), key="kind", value=kind))
    if not (math.isfinite(exaggeration) and exaggeration > 0.0):
        faults.append(Fault("is no factor", "a number above 0", key="exaggeration"))
    if faults:
        raise InputError(faults)
    with replacing(path) as part:
        KINDS[kind](result, part, exaggeration)
    return Path(path)


def file_name(kind: str, exaggeration: float = 1.0) -> str:
    """A name for a file of a kind; an exaggeration of depth is in it.

    >>> file_name("stl", 20.0)
    'depth_x20.stl'
    """
    factor = "" if exaggeration == 1.0 else f"_x{exaggeration:g}"
    plain = {"vtr": "maps.vtr", "csv": "cells.csv", "stops": "stops.csv", "png16": "depth.png"}
    return plain.get(kind, f"depth{factor}.{kind}")


KINDS: Mapping[str, Callable[[Result, Path, float], None]] = {
    "vtu": write_vtu,
    "vtr": write_maps,
    "stl": write_stl,
    "ply": write_ply,
    "csv": write_cells,
    "stops": write_stops,
    "png16": write_png,
}
"""Kinds of files, and how each is written."""
