"""Compiled loops that find electrode faces, and look over conductivities.

``rows`` is that of `kernels.layout`.
"""

from __future__ import annotations

import numpy as np

from simulate.kernels.compiling import compiled
from simulate.kernels.layout import FIRST, LAST


@compiled
def list_faces(label, conductivity, rows, metal, where, electrode):
    """Faces between an electrode cell (label > 0) and an electrolyte cell; returns how many.

    where (most, 5) receives k, j, i of the electrolyte cell, axis (0 z, 1 y, 2 x), side (-1, +1);
    electrode (most,) label - 1 of the electrode cell on that side; faces beyond ``most`` are
    counted only. ``metal`` is that of `layout.find_spans`.
    """
    nz, ny, nx = label.shape
    most = where.shape[0]
    f = 0
    for k in range(nz):
        for j in range(ny):
            beside = metal[k, j + 1] + metal[k + 1, j] + metal[k + 1, j + 2] + metal[k + 2, j + 1]
            if beside + metal[k + 1, j + 1] == 0:
                continue
            for i in range(rows[j + 1, k + 1, FIRST], rows[j + 1, k + 1, LAST]):
                if label[k, j, i] > 0 or conductivity[k, j, i] <= 0.0:
                    continue
                for axis in range(3):
                    for side in (-1, 1):
                        kk = k + side if axis == 0 else k
                        jj = j + side if axis == 1 else j
                        ii = i + side if axis == 2 else i
                        if not (0 <= kk < nz and 0 <= jj < ny and 0 <= ii < nx):
                            continue
                        if label[kk, jj, ii] > 0:
                            if f < most:
                                where[f, 0] = k
                                where[f, 1] = j
                                where[f, 2] = i
                                where[f, 3] = axis
                                where[f, 4] = side
                                electrode[f] = label[kk, jj, ii] - 1
                            f += 1
    return f


@compiled
def count_unfit(label, conductivity):
    """Electrolyte cells whose conductivity is negative or not finite."""
    nz, ny, nx = label.shape
    count = 0
    for k in range(nz):
        for j in range(ny):
            for i in range(nx):
                v = conductivity[k, j, i]
                count += label[k, j, i] == 0 and not (0.0 <= v < np.inf)
    return count


@compiled
def blank(label, conductivity, potential):
    """potential = NaN in insulators."""
    nz, ny, nx = label.shape
    for k in range(nz):
        for j in range(ny):
            for i in range(nx):
                if label[k, j, i] == 0 and conductivity[k, j, i] <= 0.0:
                    potential[k, j, i] = np.nan
