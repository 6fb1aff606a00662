"""Filled fraction of cells by the bodies a swab is made of: capsule, cylinder, block.

Each kernel writes every cell of ``out`` (nz, ny, nx); bodies are cut off at z = 0, the mask's upper
face, or at a stated bottom. A cell whose centre lies at the signed distance d from a surface of
normal n is filled to ``1/2 - d/w``, cut to 0..1, with ``w² = (n_x dx)² + (n_y dy)² + (n_z dz)²``.
That is exact for a plane along the cell's faces; for any other surface it is antisymmetric in d and
has the second moment of the cell itself, so that the volume of a body, though not each cell's
part, is second-order accurate and moves smoothly with the body.
"""

from __future__ import annotations

import math

import numpy as np

from simulate.kernels.compiling import compiled, inner


@inner
def _ramp(d: float, w: float) -> float:
    """Filled fraction of a cell of projected width w at the signed distance d."""
    return min(max(0.5 - d / w, 0.0), 1.0)


@inner
def _width(nx: float, ny: float, nz: float, size: tuple[float, float, float]) -> float:
    """Width w of a cell of the given size along the normal (nx, ny, nz), of any length."""
    square = nx * nx + ny * ny + nz * nz
    if square == 0.0:
        return size[2]
    return math.sqrt(((nx * size[0]) ** 2 + (ny * size[1]) ** 2 + (nz * size[2]) ** 2) / square)


@inner
def _slab(q: float, w: float, low: float, high: float) -> float:
    """Part of the interval of width w about q that lies between low and high."""
    return max(min(q + 0.5 * w, high) - max(q - 0.5 * w, low), 0.0) / w


@inner
def _clear(out: np.ndarray, k: int) -> None:
    for j in range(out.shape[1]):
        for i in range(out.shape[2]):
            out[k, j, i] = 0.0


@compiled
def fill_capsule(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    radius: float,
    out: np.ndarray,
) -> None:
    """Fill ``out`` with the part of each cell within `radius` of the segment start-end, z >= 0.

    x, y, z : cell edges [m]. start, end : (3,) ends of the axis [m].
    """
    ax, ay, az = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    square = ax * ax + ay * ay + az * az
    for k in range(out.shape[0]):
        low = max(z[k], 0.0)
        height = z[k + 1] - low
        if height <= 0.0:
            _clear(out, k)
            continue
        part = height / (z[k + 1] - z[k])
        pz = 0.5 * (low + z[k + 1]) - start[2]
        for j in range(out.shape[1]):
            dy = y[j + 1] - y[j]
            py = 0.5 * (y[j] + y[j + 1]) - start[1]
            for i in range(out.shape[2]):
                dx = x[i + 1] - x[i]
                px = 0.5 * (x[i] + x[i + 1]) - start[0]
                t = 0.0
                if square > 0.0:
                    t = min(max((px * ax + py * ay + pz * az) / square, 0.0), 1.0)
                nx, ny, nz = px - t * ax, py - t * ay, pz - t * az
                r = math.sqrt(nx * nx + ny * ny + nz * nz)
                d = r - radius
                if 2.0 * abs(d) >= dx + dy + height:
                    out[k, j, i] = part if d < 0.0 else 0.0
                else:
                    out[k, j, i] = part * _ramp(d, _width(nx, ny, nz, (dx, dy, height)))


@inner
def _cylinder_part(
    p: tuple[float, float, float],
    size: tuple[float, float, float],
    axis: tuple[float, float, float],
    length: float,
    radius: float,
) -> float:
    """Filled fraction of one cell; p : its centre seen from the start, axis : unit vector."""
    q = p[0] * axis[0] + p[1] * axis[1] + p[2] * axis[2]
    part = _slab(q, _width(axis[0], axis[1], axis[2], size), 0.0, length)
    if part == 0.0:
        return 0.0
    nx, ny, nz = p[0] - q * axis[0], p[1] - q * axis[1], p[2] - q * axis[2]
    r = math.sqrt(nx * nx + ny * ny + nz * nz)
    return float(part * _ramp(r - radius, _width(nx, ny, nz, size)))


@compiled
def fill_cylinder(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    radius: float,
    divisions: int,
    out: np.ndarray,
) -> None:
    """Fill ``out`` with the part of each cell in a flat-ended round bar from start to end, z >= 0.

    Cells near the bar are cut into `divisions`^3 so that a bar as thin as a cell is caught too.
    x, y, z : cell edges [m]. start, end : (3,) [m].
    """
    ax, ay, az = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    length = math.sqrt(ax * ax + ay * ay + az * az)
    axis = (ax / length, ay / length, az / length)
    n = divisions
    for k in range(out.shape[0]):
        low = max(z[k], 0.0)
        height = z[k + 1] - low
        if height <= 0.0:
            _clear(out, k)
            continue
        part = height / (z[k + 1] - z[k]) / n**3
        for j in range(out.shape[1]):
            dy = y[j + 1] - y[j]
            for i in range(out.shape[2]):
                dx = x[i + 1] - x[i]
                px = 0.5 * (x[i] + x[i + 1]) - start[0]
                py = 0.5 * (y[j] + y[j + 1]) - start[1]
                pz = 0.5 * (low + z[k + 1]) - start[2]
                q = px * axis[0] + py * axis[1] + pz * axis[2]
                r2 = px * px + py * py + pz * pz - q * q
                reach = 0.5 * (dx + dy + height)
                if r2 > (radius + reach) ** 2 or q < -reach or q > length + reach:
                    out[k, j, i] = 0.0
                    continue
                total = 0.0
                size = (dx / n, dy / n, height / n)
                for c in range(n):
                    for b in range(n):
                        for a in range(n):
                            p = (
                                px + ((a + 0.5) / n - 0.5) * dx,
                                py + ((b + 0.5) / n - 0.5) * dy,
                                pz + ((c + 0.5) / n - 0.5) * height,
                            )
                            total += _cylinder_part(p, size, axis, length, radius)
                out[k, j, i] = total * part


@compiled
def fill_block(
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    plan: tuple[float, float, float],
    bottom: float,
    top: float,
    out: np.ndarray,
) -> None:
    """Fill ``out`` with the part of each cell in an upright block about the plan origin.

    x, y, z : cell edges [m]. plan : length along the heading [m], width across [m], heading [rad].
    bottom, top : [m]. Exact when the heading lies along x or y.
    """
    cosine, sine = math.cos(plan[2]), math.sin(plan[2])
    for k in range(out.shape[0]):
        part = _slab(0.5 * (z[k] + z[k + 1]), z[k + 1] - z[k], bottom, top)
        for j in range(out.shape[1]):
            dy = y[j + 1] - y[j]
            py = 0.5 * (y[j] + y[j + 1])
            for i in range(out.shape[2]):
                if part == 0.0:
                    out[k, j, i] = 0.0
                    continue
                dx = x[i + 1] - x[i]
                px = 0.5 * (x[i] + x[i + 1])
                along = math.hypot(cosine * dx, sine * dy)
                across = math.hypot(sine * dx, cosine * dy)
                u = px * cosine + py * sine
                v = py * cosine - px * sine
                out[k, j, i] = (
                    part
                    * _slab(u, along, -0.5 * plan[0], 0.5 * plan[0])
                    * _slab(v, across, -0.5 * plan[1], 0.5 * plan[1])
                )
