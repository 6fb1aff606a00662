"""A swab over a masked disc opening with Tafel kinetics, against an independent library.

The referee is scikit-fem (general-purpose finite elements): quadratic quadrilaterals, graded
towards the rim, the mask's lip and the core's corners, on a case of ours that has no closed form.
A porous round swab (4 S/m) stands on a mask with a round opening full of free electrolyte
(12 S/m); the metal below obeys Tafel's law, the cathode is a core inside the swab. Invented sizes.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from cells import Body, ring_means, solve_plane

import simulate as sf
from simulate.field.potential import Field
from simulate.result.grid_convergence import grid_convergence

OPENING, MASK = 1.0e-3, 0.2e-3  # radius, thickness [m]
SWAB, HEIGHT = 2.4e-3, 1.6e-3  # radius, height above the mask [m]
CORE, GAP = 0.4e-3, 0.8e-3  # radius, distance above the mask [m]
FREE, WICK = 12.0, 4.0  # conductivities [S/m]
VOLTAGE = 1.5
LAW = sf.Tafel(exchange=10.0, slope=0.03)
RINGS = np.linspace(0.0, OPENING, 11)


def graded(start: float, end: float, pieces: int, at: str) -> np.ndarray:
    """Equal pieces, the first and/or last of them cut geometrically towards the end."""
    edges = np.linspace(start, end, pieces + 1)
    cuts = (edges[1] - edges[0]) * 0.5 ** np.arange(1, 9)
    parts = [edges]
    if "<" in at:
        parts.append(start + cuts)
    if ">" in at:
        parts.append(end - cuts)
    return np.concatenate(parts)


@cache
def referee() -> tuple[float, np.ndarray]:
    """Total current [A] and mean density of each ring over the mean, by finite elements."""
    from skfem import Basis, ElementQuad2, FacetBasis, MeshQuad

    radial = [graded(0, CORE, 4, ">"), graded(CORE, OPENING, 6, "<>")]
    upward = [graded(0, MASK, 1, "<>"), graded(MASK, MASK + GAP, 4, "<>")]
    radial.append(graded(OPENING, SWAB, 5, "<"))
    upward.append(graded(MASK + GAP, MASK + HEIGHT, 3, "<"))
    axes = (np.unique(np.round(np.concatenate(parts), 12)) for parts in (radial, upward))
    mesh = MeshQuad.init_tensor(*axes)
    r, z = mesh.p[:, mesh.t].mean(axis=1)
    solid = ((z < MASK) & (r > OPENING)) | ((z > MASK + GAP) & (r < CORE))
    mesh = mesh.remove_elements(np.flatnonzero(solid))
    basis = Basis(mesh, ElementQuad2(), intorder=5)
    plate = mesh.facets_satisfying(lambda x: x[1] < 1e-9, boundaries_only=True)
    wall = FacetBasis(mesh, ElementQuad2(), facets=plate, intorder=5)
    core = mesh.facets_satisfying(
        lambda x: (x[0] < CORE + 1e-9) & (x[1] > MASK + GAP - 1e-9), boundaries_only=True
    )
    potential = newton(basis, wall, basis.get_dofs(core))
    radius = np.asarray(wall.global_coordinates())[0]
    density = 2 * LAW.exchange * np.sinh((VOLTAGE - wall.interpolate(potential)) / LAW.slope)
    area = 2 * np.pi * radius * wall.dx
    ring = np.searchsorted(RINGS, radius.ravel()) - 1
    current = np.bincount(ring, (density * area).ravel()) / np.bincount(ring, area.ravel())
    total = float((density * area).sum())
    return total, current / (total / area.sum())


def newton(basis, wall, grounded) -> np.ndarray:
    """Solve div(kappa grad u) = 0 with Tafel's law on the plate and u = 0 on the core."""
    from skfem import BilinearForm, LinearForm, condense, solve
    from skfem.helpers import dot, grad

    @BilinearForm
    def conduction(u, v, w):
        kappa = np.where(w.x[1] < MASK, FREE, WICK)
        return 2 * np.pi * w.x[0] * kappa * dot(grad(u), grad(v))

    @BilinearForm
    def slope(u, v, w):
        rate = 2 * LAW.exchange / LAW.slope * np.cosh((VOLTAGE - w["u"]) / LAW.slope)
        return 2 * np.pi * w.x[0] * rate * u * v

    @LinearForm
    def current(v, w):
        density = 2 * LAW.exchange * np.sinh((VOLTAGE - w["u"]) / LAW.slope)
        return 2 * np.pi * w.x[0] * density * v

    matrix = conduction.assemble(basis)
    potential = basis.zeros() + VOLTAGE - 0.15
    potential[grounded.flatten()] = 0.0
    for _ in range(60):
        before = wall.interpolate(potential)
        load = current.assemble(wall, u=before) - matrix @ potential
        step = solve(*condense(matrix + slope.assemble(wall, u=before), load, D=grounded))
        largest = float(np.abs(step).max())
        potential = potential + min(1.0, 3 * LAW.slope / largest) * step
        if largest < 1e-10:
            return potential
    raise AssertionError("the referee did not converge")


def ours(fineness: int) -> Field:
    """The same cell on square cells, `fineness` of them to the opening's radius."""
    step = OPENING / fineness
    grid = sf.Grid.axisymmetric(
        np.arange(round(SWAB / step) + 1) * step,
        np.arange(-1, round((MASK + HEIGHT) / step) + 1) * step,
    )
    return solve_plane(
        grid,
        lambda r, z: np.where(z > MASK, WICK, np.where(r < OPENING, FREE, 0.0)),
        Body("plate", lambda r, z: (z < 0) & (r < OPENING), VOLTAGE, LAW),
        Body("core", lambda r, z: (z > MASK + GAP) & (r < CORE)),
    )


def test_total_current_is_the_referees():
    total, _ = referee()
    coarse, fine = (ours(fineness).currents["plate"] for fineness in (100, 200))
    assert fine == pytest.approx(total, rel=1e-3)
    extrapolated = grid_convergence([fine, coarse], 2.0, order=1.2).extrapolated
    assert extrapolated == pytest.approx(total, rel=2e-4)


def test_current_profile_is_the_referees_away_from_the_rim():
    _, profile = referee()
    found = ring_means(ours(100).faces("plate"), RINGS)
    assert found[:9] == pytest.approx(profile[:9], rel=0.005)
    assert found[9] == pytest.approx(profile[9], rel=0.01)
    assert profile[9] > 1.2 * profile[0]
