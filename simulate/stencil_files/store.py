"""The drawings of a case: read once from files beside it, and kept with it.

A case holds what its files drew, so that a changed case and a stored result mean the same drawing
even where the file is gone or has been edited since.  A way of reading that is not kept yet needs
the file, and the file must be the one that was read: its checksum says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import InputError
from simulate.stencil_files.limits import read_bytes, refuse
from simulate.stencil_files.picture import MAX_BYTES
from simulate.stencil_files.read import read_openings, stencil_path

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Reading:
    """How a file is read; see `simulate.stencil_files.read.read_openings`."""

    width: float | None = None
    pixel: float | None = None
    threshold: float = 0.5
    light: bool = False
    colour: str | None = None


@dataclass(frozen=True)
class DrawingFile:
    """What a file draws.

    Parameters
    ----------
    name : as the case names it, relative to the case's folder.
    reading : how it was read.
    sha256 : checksum of the file's bytes.
    openings : in the file's own frame [m], y up, not yet put on the plate.
    """

    name: str
    reading: Reading
    sha256: str
    openings: MultiPolygon


class DrawingStore:
    """Where a case's drawings come from: those kept already, then files in a folder.

    Parameters
    ----------
    folder : of the case; no file outside it is read.
    kept : drawings that need no file; those of one name come from one file.
    """

    def __init__(self, folder: Path, kept: Iterable[DrawingFile] = ()) -> None:
        self.folder = folder
        self.kept = {(drawing.name, drawing.reading): drawing for drawing in kept}
        self.taken: dict[tuple[str, Reading], DrawingFile] = {}

    def take(self, name: str, reading: Reading) -> DrawingFile:
        """The drawing of a file, read at most once for each way of reading.

        Raises InputError: one fault, with what would be accepted.
        """
        key = name, reading
        drawing = self.taken.get(key) or self.kept.get(key) or self._read(name, reading)
        self.taken[key] = drawing
        return drawing

    def _read(self, name: str, reading: Reading) -> DrawingFile:
        try:
            path = stencil_path(self.folder, name)
            openings = read_openings(path, **asdict(reading))
            digest = hashlib.sha256(read_bytes(path, MAX_BYTES)).hexdigest()
        except InputError as error:
            usual = "a drawing in the case's folder or below"
            faults = [replace(fault, expected=fault.expected or usual) for fault in error.faults]
            raise InputError(faults) from None
        known = {drawing.sha256 for (other, _), drawing in self.kept.items() if other == name}
        if known - {digest}:
            refuse(path, "not the file that this case was read with", "that file, or a new reading")
        return DrawingFile(name, reading, digest, openings)


# As arrays ----------------------------------------------------------------------------------------


def to_arrays(drawings: Sequence[DrawingFile]) -> tuple[str, Floats, Whole]:
    """Drawings as a JSON text and two arrays, for storing.

    Returns
    -------
    A list of names, readings and checksums; the points of all rings, (n, 2) [m]; and a row for each
    ring, (m, 3): its drawing and its polygon, both from 0, and the number of its points. The first
    ring of a polygon is its outside.
    """
    import shapely

    heads, points, rings = [], [np.empty((0, 2))], []
    for number, drawing in enumerate(drawings):
        reading = asdict(drawing.reading)
        heads.append({"name": drawing.name, "reading": reading, "sha256": drawing.sha256})
        for place, polygon in enumerate(drawing.openings.geoms):
            for ring in (polygon.exterior, *polygon.interiors):
                points.append(shapely.get_coordinates(ring))
                rings.append((number, place, len(points[-1])))
    table = np.asarray(rings, dtype=np.int64).reshape(-1, 3)
    return json.dumps(heads), np.concatenate(points), table


def from_arrays(heads: str, points: Any, rings: Any) -> tuple[DrawingFile, ...]:
    """The drawings that `to_arrays` turned into arrays, exactly."""
    import shapely

    table = np.asarray(rings)
    parts = np.split(np.asarray(points, dtype=float), np.cumsum(table[:, 2])[:-1])
    drawings = []
    for number, head in enumerate(json.loads(heads)):
        polygons: dict[int, list[Floats]] = {}
        for (owner, place, _), part in zip(table, parts, strict=True):
            if owner == number:
                polygons.setdefault(int(place), []).append(part)
        shapes = [shapely.Polygon(first, holes) for first, *holes in polygons.values()]
        reading = Reading(**head["reading"])
        openings = shapely.MultiPolygon(shapes)
        drawings.append(DrawingFile(head["name"], reading, head["sha256"], openings))
    return tuple(drawings)
