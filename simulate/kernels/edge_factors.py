"""Compiled loops that find straight edges of electrodes and insulators, and the room around them.

A cell is electrolyte (label 0, conductivity above 0), insulator (label 0, conductivity 0) or metal
(label above 0). An edge is a node of the plane of two axes, one cell long in the third. Its frame:
tangential axis P and normal axis Q with signs, so that the insulator lies at t >= 0, n < 0; t
counts cells along P and n along Q from the node.

    flush edge (kind 0)   electrolyte at n >= 0; metal at t < 0, n = -1
    lip (kind 1)          electrolyte everywhere but at t >= 0, n < 0
    corner (kind 2)       the same with metal there in the insulator's stead
"""

from __future__ import annotations

import numpy as np

from simulate.kernels.compiling import compiled, inner

# not as Python's numbers, for each of which a function would be compiled anew
_NONE, _UP, _DOWN = np.int64(0), np.int64(1), np.int64(-1)

COLUMNS = 13
"""Of an edge: k, j, i of the node's lower cell, P, sign of P, Q, sign of Q, kind, electrode, and
the room: tangential, up, down; and the cells to the next feature along the face, either way."""


@inner
def _alike(a, b):
    return abs(a - b) <= 1e-3 * a


@compiled
def mark_states(label, conductivity, state):
    """state = 0 insulator, 1 electrolyte, 2 metal; all (nz, ny, nx), state flattened uint8."""
    c = 0
    for k in range(label.shape[0]):
        for j in range(label.shape[1]):
            for i in range(label.shape[2]):
                wet = np.uint8(conductivity[k, j, i] > 0.0)
                state[c] = np.uint8(2) if label[k, j, i] > 0 else wet
                c += 1


@compiled
def find_edges(label, conductivity, state, whole, levels, out):
    """Fill rows of ``out`` (n, COLUMNS); returns how many edges there are.

    ``state`` of `mark_states`; ``whole`` (nz, ny, nx) uint8: 0 where a metal cell is partly
    covered, or one cell of 1. ``levels`` (first, last): only nodes whose lower cell is in those
    layers are looked at. With ``out`` too short, edges are counted only.
    """
    nz, ny, nx = label.shape
    step = (ny * nx, nx, 1)
    count = 0
    for across in range(3):
        p = 2 if across != 2 else 1
        q = 0 if across != 0 else 1
        sp, sq = step[p], step[q]
        for k in range(levels[0], min(levels[1] + 1, nz - (1 if across != 0 else 0))):
            for j in range(ny - (1 if across != 1 else 0)):
                row = (k * ny + j) * nx
                for c in range(row, row + nx - (1 if across != 2 else 0)):
                    a, b, d, e = state[c], state[c + sp], state[c + sq], state[c + sp + sq]
                    if a == b and a == d and a == e:
                        continue
                    wet = int(a == 1) + int(b == 1) + int(d == 1) + int(e == 1)
                    if wet != 2 and wet != 3:
                        continue
                    if count < out.shape[0]:
                        edge = out[count]
                        edge[0], edge[1], edge[2] = k, j, c - row
                        edge[3], edge[5] = p, q
                        known = _orient(label, conductivity, (a, b, d, e), edge)
                        count += 1 if known else 0
                    else:
                        count += 1
    if count <= out.shape[0]:
        for n in range(count):
            _measure_room(label, conductivity, whole, out[n])
    return count


@inner
def _orient(label, conductivity, states, edge):
    """Kind, signs, axes and electrode of an edge from the four states about its node.

    states : of the node's cells (-p, -q), (+p, -q), (-p, +q), (+p, +q). Returns whether it is one.
    """
    a, b, d, e = states
    p, q = edge[3], edge[5]
    if int(a == 1) + int(b == 1) + int(d == 1) + int(e == 1) == 3:
        high_p = 1 if (b != 1 or e != 1) else 0  # where the insulator or the metal is
        high_q = 1 if (d != 1 or e != 1) else 0
        far = _value(conductivity, edge, p, q, 1 - high_p, 1 - high_q)
        over = _alike(far, _value(conductivity, edge, p, q, high_p, 1 - high_q))
        along = _alike(far, _value(conductivity, edge, p, q, 1 - high_p, high_q))
        metal = _value(label, edge, p, q, high_p, high_q)
        edge[7], edge[8] = (2, metal - 1) if metal > 0 else (1, -1)
        if over and (along or metal == 0):
            edge[4], edge[6] = 2 * high_p - 1, 1 - 2 * high_q
            return True
        if along and metal == 0:
            edge[3], edge[5] = q, p
            edge[4], edge[6] = 2 * high_q - 1, 1 - 2 * high_p
            return True
        return False
    if d == 1 and e == 1:
        near, far, edge[6] = a, b, 1
    elif a == 1 and b == 1:
        near, far, edge[6] = d, e, -1
    elif b == 1 and e == 1:
        near, far, edge[6] = a, d, 1
        edge[3], edge[5] = q, p
    elif a == 1 and d == 1:
        near, far, edge[6] = b, e, -1
        edge[3], edge[5] = q, p
    else:
        return False
    if near == far:
        return False
    edge[4] = 1 if near == 2 else -1
    edge[7] = 0
    metal_t, metal_n = (0 if near == 2 else 1), (0 if edge[6] > 0 else 1)
    edge[8] = _value(label, edge, edge[3], edge[5], metal_t, metal_n) - 1
    return True


@inner
def _value(array, edge, p, q, high_p, high_q):
    """Of one of the node's cells: 0 or 1 along p and q."""
    k = edge[0] + (high_p if p == 0 else 0) + (high_q if q == 0 else 0)
    j = edge[1] + (high_p if p == 1 else 0) + (high_q if q == 1 else 0)
    i = edge[2] + (high_p if p == 2 else 0) + (high_q if q == 2 else 0)
    return array[k, j, i]


@inner
def _fits(label, conductivity, whole, edge, t, n, s):
    """1 = the cell (t, n, s) of the frame is as the edge wants it, 0 = not, 2 = outside."""
    axis_s = 3 - edge[3] - edge[5]
    k, j, i = _cell(edge, t, n)
    k += s if axis_s == 0 else 0
    j += s if axis_s == 1 else 0
    i += s if axis_s == 2 else 0
    if not (0 <= k < label.shape[0] and 0 <= j < label.shape[1] and 0 <= i < label.shape[2]):
        return 2
    metal, kappa = label[k, j, i], conductivity[k, j, i]
    if n >= 0 or (edge[7] > 0 and t < 0):
        at = min(max(n, -1), 0)
        ok, oj, oi = _cell(edge, at, at)
        return int(metal == 0 and kappa > 0.0 and _alike(conductivity[ok, oj, oi], kappa))
    if t >= 0 and edge[7] < 2:
        return int(metal == 0 and kappa <= 0.0)
    return int(metal == edge[8] + 1 and (whole.size == 1 or whole[k, j, i] == 1))


@inner
def _measure_room(label, conductivity, whole, edge):
    """Fill the room of one edge: cells on either side, above and below that are as they should.

    Another feature on the same face halves the room towards it, so that rooms do not overlap; the
    box's end does not, for it mirrors the field.
    """
    reach = 8
    side = reach
    for m in range(1, 2 * reach + 1):
        answer = 1
        for n in range(-1, 1):
            for t in (m - 1, -m):
                one = _fits(label, conductivity, whole, edge, t, n, _NONE)
                answer = 0 if one == 0 else (2 if one == 2 and answer == 1 else answer)
        if answer != 1:
            side = min(reach, m - 1 if answer == 2 else (m - 1) // 2)
            break
    clear = _clear_cells(label, conductivity, whole, edge)
    low, high = -side, side
    for sign in (-1, 1):
        for m in range(1, side + 1):
            answer = 1
            for n in range(-1, 1):
                for t in range(-1, 1):
                    one = _fits(label, conductivity, whole, edge, t, n, sign * m)
                    answer = 0 if one == 0 else (2 if one == 2 and answer == 1 else answer)
            if answer == 2:
                low, high = (-(m - 1), high) if sign < 0 else (low, m - 1)
                break
            if answer == 0:
                side = min(side, m - 1)
                break
    low, high = max(low, -side), min(high, side)
    up = _layers(label, conductivity, whole, edge, (side, low, high), _UP)
    down = _layers(label, conductivity, whole, edge, (side, low, high), _DOWN) if edge[7] > 0 else 0
    fit = side > 0 and up > 0 and (edge[7] == 0 or down > 0)
    edge[9], edge[10], edge[11], edge[12] = (side, up, down, clear) if fit else (0, 0, 0, 0)


@inner
def _clear_cells(label, conductivity, whole, edge):
    """Cells along the face, to the nearer of the next feature or the box's end on either side."""
    for m in range(1, max(label.shape) + 1):
        for n in range(-1, 1):
            for t in (m - 1, -m):
                if _fits(label, conductivity, whole, edge, t, n, _NONE) != 1:
                    return m - 1
    return max(label.shape)


@inner
def _layers(label, conductivity, whole, edge, width, way):
    """Layers above (way 1) or below (-1) the edge that fit, at most eight."""
    side, low, high = width
    for layer in range(8):
        n = layer if way > 0 else -1 - layer
        for s in range(low, high + 1):
            for t in range(-side, side if way > 0 else 1):
                if _fits(label, conductivity, whole, edge, t, n, s) != 1:
                    return layer
    return 8


@compiled
def apply_factors(edges, table, along, across, floor, side, zero, shape, rows, faces, out, scale):
    """Multiply the faces in the rooms of all edges by their factors.

    table (n,) : which factors an edge takes. along, across (m, rows, columns), floor (m, columns),
    side (m, rows), the edge at row and column ``zero`` (m, 2). faces (f,) sorted: 6 * cell + 2 *
    axis + (side > 0), the cell counted in natural order. rows : of `kernels.layout`. out : (tz, ty,
    tx), scale (f,) of faces.
    """
    _, ny, nx = shape
    tz, ty, tx = out
    for e in range(edges.shape[0]):
        edge = edges[e]
        use = table[e]
        if use < 0:
            continue
        axis_t, axis_n = edge[3], edge[5]
        reach, up, down = edge[9], edge[10], edge[11]
        row0, column0 = zero[use, 0], zero[use, 1]
        for n in range(-down, up):
            for t in range(-reach, reach):
                for axis in (axis_t, axis_n):
                    last = t + 1 == reach if axis == axis_t else n + 1 == up
                    if last:
                        continue
                    own_t = t + (1 if edge[4] < 0 and axis == axis_t else 0)
                    own_n = n + (1 if edge[6] < 0 and axis == axis_n else 0)
                    k, j, i = _cell(edge, own_t, own_n)
                    c = rows[j + 1, k + 1, i & 1] + (i >> 1)
                    if axis == axis_t:
                        factor = along[use, row0 + n, column0 + t]
                    else:
                        factor = across[use, row0 + n, column0 + t]
                    if axis == 0:
                        tz[c] *= factor
                    elif axis == 1:
                        ty[c] *= factor
                    else:
                        tx[c] *= factor
        if edge[7] == 1:
            continue
        first = -reach if edge[7] == 0 else 0
        for t in range(first, first + reach):
            k, j, i = _cell(edge, t, _NONE)
            key = ((k * ny + j) * nx + i) * 6 + 2 * axis_n + (1 if edge[6] < 0 else 0)
            scale[_place(faces, key)] *= floor[use, column0 + t]
        for n in range(-down, 0):
            k, j, i = _cell(edge, _DOWN, n)
            key = ((k * ny + j) * nx + i) * 6 + 2 * axis_t + (1 if edge[4] > 0 else 0)
            scale[_place(faces, key)] *= side[use, row0 + n]


@inner
def _place(keys, key):
    """Where a key stands among sorted ones that hold it."""
    low, high = 0, keys.size
    while high - low > 1:
        middle = (low + high) >> 1
        if keys[middle] <= key:
            low = middle
        else:
            high = middle
    return low


@inner
def _cell(edge, t, n):
    """k, j, i of the cell (t, n) of an edge's frame."""
    step_t = 1 + t if edge[4] > 0 else -t
    step_n = 1 + n if edge[6] > 0 else -n
    k = edge[0] + (step_t if edge[3] == 0 else 0) + (step_n if edge[5] == 0 else 0)
    j = edge[1] + (step_t if edge[3] == 1 else 0) + (step_n if edge[5] == 1 else 0)
    i = edge[2] + (step_t if edge[3] == 2 else 0) + (step_n if edge[5] == 2 else 0)
    return k, j, i
