"""One field: Newton's method for potentials, polarisation and circuit together.

Unknowns are the potentials of the electrolyte cells. At every electrode face the half cell stands
in series with film and wall, and the wall's overpotential is eliminated face by face
(`kernels.wall`), so that a face carries I(U - phi) with a slope that stays bounded. The supply is
eliminated too: at given phi the cell voltage V solves I_anode(V) = I_supply(V), which leaves a
rank-one term in the Jacobian. The whole is the gradient of a convex energy, so Newton's method
with a line search on that energy converges from any start (Boyd & Vandenberghe, Convex
Optimization, 2004, sec. 9.5; from memory). The linear solves are inexact (Eisenstat & Walker,
SIAM J. Sci. Comput. 17 (1996) 16; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulate.errors import ConvergenceError
from simulate.field.electrode_boundary import SATURATION, Terminals
from simulate.field.multigrid import FINEST, Hierarchy
from simulate.field.network import Network
from simulate.field.supply import Supply
from simulate.kernels import krylov as kernels

Doubles = NDArray[np.float64]

NEWTON_STEPS = 60

SOFT = 1e-12
"""A tolerance of this or more counts as met where rounding of the potentials is all that is left:
where currents are so small that potentials hardly differ, they carry no more digits."""


@dataclass(frozen=True, eq=False)
class Solution:
    """What `solve_network` finds.

    ``phi`` in the packed layout of ``rows`` [V], which belongs to the hierarchy and lasts until its
    next solve; ``current`` [A] and ``slope`` [S] of each face; cell ``voltage`` [V] (0 without a
    supply); ``wall`` overpotentials for a warm start [V]; ``saturation`` as
    `Terminals.saturation` has it [-].
    """

    phi: Doubles
    rows: NDArray[np.int64]
    current: Doubles
    slope: Doubles
    voltage: float
    wall: Doubles
    iterations: int
    newton_steps: int
    residual: float
    saturation: float


def solve_network(
    network: Network,
    laws: Doubles,
    supply: Supply | None = None,
    *,
    tolerance: float = 1e-10,
    hierarchy: Hierarchy | None = None,
    start: Solution | None = None,
) -> Solution:
    """Solve one network with its electrodes and supply.

    Parameters
    ----------
    laws : (electrodes, 8), rows of `polarisation.law_row`.
    supply : between electrode 0 (anode) and electrode 1; None when potentials are imposed.
    tolerance : on the unbalanced current of cells, root mean square, relative to the root mean
        square current of electrode faces [-].
    hierarchy : of the same shape, reused; made here when None.
    start : an earlier solution of a box of the same shape; the last one of the same hierarchy costs
        nothing to start from.

    Raises
    ------
    ConvergenceError : with residual, iterations and remedy.
    """
    mesh = Hierarchy(network.shape) if hierarchy is None else hierarchy
    faces = network.faces
    mesh.place(network, None if start is None else (start.phi, start.rows))
    eta = np.zeros(faces.cell.size)
    if start is not None and start.wall.size == eta.size:
        eta[:] = start.wall
    walls = Terminals(faces, laws, supply, eta)
    if start is not None:
        walls.lift = start.voltage
    elif supply is not None:
        walls.lift = supply.emf
    if start is None or (start.rows is not network.rows and start.saturation < SATURATION):
        walls.start_below_limits(mesh.phi)
    return _newton(network, mesh, walls, tolerance)


def _newton(network: Network, mesh: Hierarchy, walls: Terminals, tolerance: float) -> Solution:
    phi = mesh.phi
    iterations, loaded, first_scale, residual = 0, False, 0.0, np.inf
    met = False  # whether the line search has left the walls as they are at phi
    for step in range(NEWTON_STEPS + 1):
        if not met:
            walls.meet(phi, mesh.move, 0.0)
        if not loaded:
            mesh.load(network, walls.out[1])
        injected = mesh.gather(walls.out[0])
        scale = float(np.linalg.norm(injected))
        first_scale = 1e-3 * scale if step == 0 else first_scale
        whole = max(scale, first_scale)
        unbalanced = mesh.balance(injected, whole or 1.0)
        before, residual = residual, unbalanced / (whole or 1.0)
        stuck = tolerance >= SOFT and residual > 0.5 * before
        if stuck and unbalanced <= 2.0 * mesh.rounding():
            tolerance = max(tolerance, residual)
        if residual <= tolerance or not np.isfinite(residual) or step == NEWTON_STEPS:
            break
        if loaded:
            mesh.retie(walls.out[1])
        loaded = True
        faces_lead, strength = walls.rank_one()
        lead = None if faces_lead is None else mesh.gather(faces_lead)
        goal = 0.5 * tolerance / residual
        inner = goal if walls.linear else max(min(0.1, 0.3 * min(residual, 1.0)), goal)
        done, _, energy = mesh.solve(
            tolerance=max(min(inner, 0.5), FINEST), lead=lead, strength=strength
        )
        iterations += done
        straight = walls.linear and not walls.limited
        length, met = (
            (1.0, False) if straight else _line_search(mesh, walls, lead, strength, energy)
        )
        mesh.advance(length)
    if not residual <= tolerance:
        raise ConvergenceError(
            "the field",
            residual=float(residual),
            tolerance=tolerance,
            iterations=iterations,
            remedy="try finer cells at the electrode or a looser tolerance",
        )
    current, slope = walls.out.copy()
    return Solution(
        phi,
        network.rows,
        current,
        slope,
        walls.lift,
        walls.eta,
        iterations,
        step,
        residual,
        walls.saturation(),
    )


def _line_search(
    mesh: Hierarchy, walls: Terminals, lead: Doubles | None, strength: float, energy: float
) -> tuple[float, bool]:
    """Step length at which the energy's slope along ``mesh.move`` has fallen to half or less.

    slope(t) = move . (A (phi + t move)) - sum I(phi + t move) move. Only faces are recomputed: by
    ``energy``, the whole matrix's move . A move, the slope at the start is -energy, and without
    the ties the network's part of it grows by ``network`` along the way.
    Returns too whether the walls are left as they are at that length.
    """
    cell, move, phi, unit = walls.cell, mesh.move, mesh.phi, mesh.unit
    along = move[mesh.cells].astype(np.float64)
    network = energy - float(mesh.ties @ (along * along))
    if lead is not None:
        network += strength * float(lead @ along) ** 2
    at_start = kernels.gather_dot(cell, walls.out[0], move) / unit
    lift, rise = walls.lift, walls.rise(move, unit)

    def slope(t: float) -> float:
        walls.lift = lift + t * rise  # where to look for it
        walls.meet(phi, move, t * unit)
        injected = kernels.gather_dot(cell, walls.out[0], move) / unit
        return float(t * network - energy - (injected - at_start))

    if slope(1.0) <= 0.5 * energy:
        return 1.0, True
    low, high = 0.0, 1.0
    middle = 0.5
    for _ in range(30):
        middle = 0.5 * (low + high)
        value = slope(middle)
        if abs(value) <= 0.1 * energy:
            return middle, True
        low, high = (middle, high) if value < 0 else (low, middle)
    return (low if low > 0 else middle), False
