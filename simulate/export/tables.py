"""Export as tables of comma-separated values and as a picture of grey levels."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simulate.errors import ResultError
from simulate.result.result import Result

if TYPE_CHECKING:
    pass

MM, UM, A_CM2 = 1e3, 1e6, 1e-4  # from SI to the unit of the file

MAPS: dict[str, tuple[str, float]] = {
    "depth_um": ("depth", UM),
    "contact_time_s": ("contact_time", 1.0),
    "charge_density_C_per_cm2": ("charge_density", A_CM2),
    "peak_density_A_per_cm2": ("peak_density", A_CM2),
    "open_fraction": ("open_fraction", 1.0),
    "rim_distance_mm": ("rim_distance", MM),
}
"""Names of the maps in files: the result's array, and the factor from SI."""


STOPS: dict[str, tuple[str, float]] = {
    "time_s": ("time", 1.0),
    "dwell_s": ("dwell", 1.0),
    "current_A": ("current", 1.0),
    "voltage_V": ("voltage", 1.0),
    "swab_x_mm": ("swab_x", MM),
    "swab_y_mm": ("swab_y", MM),
    "rewet": ("rewet", 1.0),
}
"""Columns of the table of stops, likewise."""


# --- cells ------------------------------------------------------------------------------------


def write_stops(result: Result, path: Path, _: float) -> None:
    """A row for each stop."""
    _write_table(
        path, {name: getattr(result, source) * factor for name, (source, factor) in STOPS.items()}
    )


def _write_table(path: Path, columns: Mapping[str, np.ndarray]) -> None:
    """A CSV table of numbers to 10 digits, one line of names above."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow([f"{value:.10g}" for value in row])


def write_png(result: Result, path: Path, _: float) -> None:
    """Depth as grey levels of 16 bits."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    cell = float(result.x_edges[1] - result.x_edges[0])
    widths = np.concatenate([np.diff(result.x_edges), np.diff(result.y_edges)])
    if not np.allclose(widths, cell, rtol=1e-6, atol=0.0):
        raise ResultError(f"{path}: cells differ in size, a picture needs them alike")
    depth = np.where(result.open_fraction > 0.0, result.depth, 0.0)
    full = float(depth.max()) or UM**-1
    levels = np.round(65535.0 * depth / full).astype("<u2")
    notes = PngInfo()
    notes.add_text("Title", "Etch depth")
    notes.add_text(
        "Description", f"65535 = {full * UM:.9g} um, 1 px = {cell * MM:.9g} mm, 0 = 0 um"
    )
    per_inch = 25.4e-3 / cell
    picture = Image.fromarray(levels[::-1])  # the top row of a picture is the largest y
    picture.save(path, format="PNG", pnginfo=notes, dpi=(per_inch, per_inch))


def write_cells(result: Result, path: Path, _: float) -> None:
    """A row for each cell with some open area."""
    row, column = np.nonzero(result.open_fraction > 0.0)
    columns = {"x_mm": result.x[column] * MM, "y_mm": result.y[row] * MM}
    columns |= {
        name: getattr(result, source)[row, column] * factor
        for name, (source, factor) in MAPS.items()
    }
    _write_table(path, columns)
