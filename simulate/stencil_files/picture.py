"""Openings from a picture in PNG: what is dark is open, or what is light.

The picture is laid on white, turned to grey, and its outline drawn where the grey between the
centres of neighbouring pixels crosses the threshold.  So a straight side of whole pixels lies
exactly on the pixels' edge, a smoothed side lies within the pixel, and a single corner of whole
pixels loses an eighth of a pixel.  Steps of a slanting side are then smoothed by up to a quarter of
a pixel.
"""

from __future__ import annotations

import io
import struct
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import InputError
from simulate.stencil.outlines import as_areas, moved_areas
from simulate.stencil_files.limits import MAX_PIECES, MAX_POINTS, one_line, read_bytes, refuse

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float32]

MAX_BYTES = 20_000_000
MAX_PIXELS = 6_000_000
SIGNATURE = b"\x89PNG\r\n\x1a\n"
SMOOTHING = 0.25  # of a pixel


def picture_area(
    path: Path, pixel: float, *, threshold: float = 0.5, light: bool = False
) -> MultiPolygon:
    """The open area of a picture [m], y up from its lower edge.

    Parameters
    ----------
    pixel : side of a pixel [m].
    threshold : grey at the rim, between 0 black and 1 white [-].
    light : what is lighter than the threshold is open, instead of what is darker.
    """
    import shapely
    from contourpy import FillType, contour_generator

    ink = _ink(path, read_bytes(path, MAX_BYTES))
    if light:
        ink, threshold = 1.0 - ink, 1.0 - threshold
    open_pixels = np.pad(ink < threshold, 1)
    changes = sum(np.count_nonzero(np.diff(open_pixels, axis=axis)) for axis in (0, 1))
    if changes > 4 * MAX_POINTS:
        problem = f"its outline runs along {changes} pixel edges"
        refuse(path, problem, f"at most {4 * MAX_POINTS}: a smoother or coarser picture")
    grey = np.pad(ink, 1, constant_values=2.0 * threshold if threshold > 0.0 else 1.0)
    tracer = contour_generator(z=-grey, fill_type=FillType.OuterOffset)
    found: Any = tracer.filled(-threshold, np.inf)  # outlines, and where their rings start
    if len(found[0]) > MAX_PIECES:
        refuse(path, f"more than {MAX_PIECES} openings", "a simpler picture")
    pieces = []
    for line, offset in zip(found[0], found[1], strict=True):
        rings = [line[start:end] for start, end in pairwise(offset.astype(int))]
        pieces.append(shapely.Polygon(rings[0], rings[1:]))
    area = shapely.make_valid(shapely.union_all(pieces)) if pieces else shapely.MultiPolygon()
    smooth = as_areas(shapely.make_valid(shapely.simplify(area, SMOOTHING)))
    rows = ink.shape[0]
    flip = np.array([pixel, -pixel])
    return moved_areas(smooth, lambda p: (p - [0.5, rows + 0.5]) * flip)


def _ink(path: Path, content: bytes) -> Floats:
    """Grey of each pixel, (rows, columns), 0 black to 1 white, on a white ground."""
    from PIL import Image

    width, height = _header(path, content)
    if width * height > MAX_PIXELS:
        problem = f"{width} x {height} pixels are too many"
        refuse(path, problem, f"at most {MAX_PIXELS / 1e6:g} million")
    try:
        with Image.open(io.BytesIO(content), formats=["PNG"]) as image:
            if image.size != (width, height):
                refuse(path, "its header contradicts itself", "a PNG picture")
            if image.mode.startswith("I"):  # 16 bits of grey
                return np.asarray(image, dtype=np.float32) / np.float32(65535.0)
            ground = Image.new("RGBA", image.size, "white")
            flat = Image.alpha_composite(ground, image.convert("RGBA")).convert("L")
            return np.asarray(flat, dtype=np.float32) / np.float32(255.0)
    except InputError:
        raise
    except Exception as error:  # the library raises whatever comes of a damaged file
        refuse(path, f"the picture is damaged: {one_line(error, 80)}", "a whole PNG picture")


def _header(path: Path, content: bytes) -> tuple[int, int]:
    """Width and height [pixels] from the first chunk, before anything is unpacked."""
    if len(content) < 33 or content[:8] != SIGNATURE or content[12:16] != b"IHDR":
        refuse(path, "it is not a PNG picture", "PNG")
    width, height = struct.unpack(">II", content[16:24])
    if not (width and height):
        refuse(path, "the picture has no pixels", "a PNG picture")
    return width, height
