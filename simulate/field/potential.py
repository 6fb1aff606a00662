"""A field on any grid: electrodes and conductivity in, potential and currents out.

`solve_potential` checks what it is given and builds the network; `newton.solve_network` solves it.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.errors import Fault, InputError
from simulate.field.edge_fitting import fit_edges
from simulate.field.grid import Grid
from simulate.field.multigrid import THREADED, Hierarchy
from simulate.field.network import Faces, Network, build_network
from simulate.field.newton import solve_network
from simulate.field.polarisation import Polarisation, law_row
from simulate.field.supply import Supply
from simulate.kernels import faces as face_kernels
from simulate.machine import processors

Doubles = NDArray[np.float64]

MOST_ELECTRODES = 127
"""Electrodes are numbered in one byte."""


@dataclass(frozen=True, eq=False)
class Electrode:
    """A conducting body: a set of cells.

    Parameters
    ----------
    name : what it is called in the results.
    cells : bool, of the grid's shape.
    potential : of the metal [V]: a number, or an array of the grid's shape read at ``cells``.
    polarisation : None (ideal), `Linear`, `Tafel` or `ButlerVolmer`.
    coverage : share of its cells' faces that is metal, above 0 up to 1, an array of the grid's
        shape read at ``cells``; None = 1. For outlines that cut cells: `dilated_coverage`.
    """

    name: str
    cells: NDArray[np.bool_]
    potential: float | Doubles = 0.0
    polarisation: Polarisation | None = None
    coverage: Doubles | None = None


@dataclass(frozen=True)
class Statistics:
    """What a solve took.

    iterations : linear ones, over all Newton steps. residual : of Kirchhoff's law, relative to
    the currents at electrode faces. seconds : (set-up, solve).
    """

    iterations: int
    newton_steps: int
    residual: float
    unknowns: int
    seconds: tuple[float, float]


@dataclass(frozen=True, eq=False)
class FaceRecord:
    """Faces of one electrode, (n,): centres x, y, z [m], area [m2], axis (0 z, 1 y, 2 x),
    density [A/m2], positive from the electrode into the electrolyte."""

    x: Doubles
    y: Doubles
    z: Doubles
    area: Doubles
    axis: NDArray[np.int32]
    density: Doubles


@dataclass(frozen=True, eq=False)
class Field:
    """A solved field; see design of `solve_potential`."""

    grid: Grid
    potential: Doubles
    currents: dict[str, float]
    voltage: float | None
    statistics: Statistics
    _faces: dict[str, FaceRecord]

    def faces(self, name: str) -> FaceRecord:
        """The faces of the electrode ``name``; KeyError names those there are."""
        if name not in self._faces:
            raise KeyError(f"no electrode {name!r}; there are {', '.join(self._faces)}")
        return self._faces[name]


def solve_potential(
    grid: Grid,
    conductivity: ArrayLike,
    electrodes: Sequence[Electrode],
    supply: Supply | None = None,
    tolerance: float = 1e-10,
    *,
    edges: Literal["fitted", "plain"] = "fitted",
) -> Field:
    """Potential and currents of a wet cell with electrodes.

    Solves div(kappa grad phi) = 0 with no flux into insulators and outer faces, and
    U - phi - equilibrium = eta(i) + i * (half cell + film) at electrode faces.

    Parameters
    ----------
    conductivity : [S/m], of the grid's shape; 0 = insulator. Electrode cells may hold any value.
    electrodes : bodies that do not overlap.
    supply : between the first (anode) and the second electrode; the potentials given on them are
        then offsets.
    tolerance : see `solve_network`.
    edges : ``"fitted"`` gives faces near straight edges along the grid (flush electrodes, ideal or
        with linear kinetics; lips of insulators) the conductances of the field that is exact there,
        and leaves all else plain; the limits are listed in `edge_fitting`. ``"plain"`` fits none.

    Returns
    -------
    Field : ``potential`` [V] of the grid's shape, NaN outside electrolyte and electrodes;
        ``currents`` {name: A}, positive from electrode into electrolyte (per turn, per metre of
        depth, as the grid says); ``faces(name)``; ``statistics``; ``voltage`` of the supply [V].

    Raises
    ------
    InputError : shapes that do not match, electrodes that overlap, values that are no numbers.
    CapacityError : the box would not fit in memory.
    ConvergenceError : the solve stopped short.
    """
    began = time.perf_counter()
    kappa, label, offset = _checked(grid, conductivity, electrodes, supply)
    network = build_network(grid, kappa, label, offset)
    network, area = _trim_edges(network, grid, kappa, label, electrodes, edges)
    laws = np.array([law_row(e.polarisation) for e in electrodes])
    threads = processors() if network.unknowns >= THREADED else 1
    mesh = Hierarchy(grid.shape, (np.diff(grid.y), np.diff(grid.x)), threads)
    ready = time.perf_counter()
    solution = solve_network(network, laws, supply, tolerance=tolerance, hierarchy=mesh)
    done = time.perf_counter()
    del mesh
    potential = network.unpack(solution.phi)
    face_kernels.blank(label, kappa, potential)
    for number, electrode in enumerate(electrodes):
        lift = solution.voltage if number == 0 and supply is not None else 0.0
        cells = np.asarray(electrode.cells)
        potential[cells] = np.broadcast_to(electrode.potential, grid.shape)[cells] + lift
    statistics = Statistics(
        solution.iterations,
        solution.newton_steps,
        solution.residual,
        network.unknowns,
        (ready - began, done - ready),
    )
    records = _records(grid, replace(network.faces, area=area), solution.current, electrodes)
    currents = {
        name: float((record.density * record.area).sum()) for name, record in records.items()
    }
    voltage = solution.voltage if supply is not None else None
    return Field(grid, potential, currents, voltage, statistics, records)


def _trim_edges(
    network: Network,
    grid: Grid,
    kappa: Doubles,
    label: NDArray[np.int8],
    electrodes: Sequence[Electrode],
    edges: str,
) -> tuple[Network, Doubles]:
    """Faces cut to their coverage, edges fitted; the network and the faces' true areas [m2]."""
    faces = network.faces
    partly = any(electrode.coverage is not None for electrode in electrodes)
    share = np.ones(grid.shape) if partly else None
    if share is not None:
        for electrode in electrodes:
            if electrode.coverage is not None:
                share[electrode.cells] = electrode.coverage[electrode.cells]
        metal = faces.where[:, :3].copy()
        metal[np.arange(len(metal)), faces.where[:, 3]] += faces.where[:, 4]
        cut = share[tuple(metal.T)]
        faces = replace(faces, area=faces.area * cut, conductance=faces.conductance * cut)
        network = replace(network, faces=faces)
    if edges == "fitted":
        laws = [electrode.polarisation for electrode in electrodes]
        network = fit_edges(network, grid, kappa, label, laws, coverage=share)
    return network, faces.area


def _records(
    grid: Grid, faces: Faces, current: Doubles, electrodes: Sequence[Electrode]
) -> dict[str, FaceRecord]:
    x, y, z = grid.centres
    k, j, i, axis, side = faces.where.T
    up = (side > 0).astype(np.int64)
    xf = np.where(axis == 2, grid.x[i + up], x[i])
    yf = np.where(axis == 1, grid.y[j + up], y[j])
    zf = np.where(axis == 0, grid.z[k + up], z[k])
    density = current / faces.area
    records = {}
    for number, electrode in enumerate(electrodes):
        own = faces.electrode == number
        records[electrode.name] = FaceRecord(
            *(a[own] for a in (xf, yf, zf, faces.area, axis, density))
        )
    return records


def _checked(
    grid: Grid,
    conductivity: ArrayLike,
    electrodes: Sequence[Electrode],
    supply: Supply | None,
) -> tuple[Doubles, NDArray[np.int8], Doubles]:
    """The one gate: arrays of the right shape, finite, not overlapping.

    Returns conductivity, labels and the offsets that `build_network` takes.
    """
    kappa = np.ascontiguousarray(conductivity, dtype=np.float64)
    if kappa.shape != grid.shape:
        raise InputError(
            Fault("wrong shape", f"{grid.shape}", key="conductivity", value=f"{kappa.shape}")
        )
    if not kappa.flags.writeable:
        kappa = kappa.copy()
    faults = _list_faults(electrodes, supply)
    label = np.zeros(grid.shape, np.int8)
    varies = any(np.ndim(electrode.potential) for electrode in electrodes)
    offset = np.zeros(grid.shape if varies else max(len(electrodes), 1))
    for number, electrode in enumerate(electrodes[:MOST_ELECTRODES]):
        found = _electrode_faults(grid, electrode)
        faults += found
        if found:
            continue
        cells = np.asarray(electrode.cells)
        if (label[cells] != 0).any():
            faults.append(
                Fault(
                    "overlaps another electrode", "cells of its own", key=f"{electrode.name}.cells"
                )
            )
        label[cells] = number + 1
        law = electrode.polarisation
        where = cells if varies else number
        metal = (
            np.broadcast_to(electrode.potential, grid.shape)[cells]
            if varies
            else electrode.potential
        )
        offset[where] = metal - (law.equilibrium if law is not None else 0.0)
    if face_kernels.count_unfit(label, kappa):
        faults.append(
            Fault("negative or not finite in the electrolyte", "0 or more", key="conductivity")
        )
    if faults:
        raise InputError(faults)
    return kappa, label, offset


def _list_faults(electrodes: Sequence[Electrode], supply: Supply | None) -> list[Fault]:
    faults = []
    if not 1 <= len(electrodes) <= MOST_ELECTRODES:
        faults.append(
            Fault(
                "not a possible number of electrodes",
                f"1 to {MOST_ELECTRODES}",
                key="electrodes",
                value=f"{len(electrodes)}",
            )
        )
    if supply is not None and len(electrodes) < 2:
        faults.append(
            Fault("a supply needs an anode and a cathode", "two electrodes", key="supply")
        )
    names = [e.name for e in electrodes]
    if len(set(names)) < len(names):
        faults.append(Fault("two electrodes of one name", "different names", key="electrodes"))
    return faults


def _electrode_faults(grid: Grid, electrode: Electrode) -> list[Fault]:
    cells, potential = np.asarray(electrode.cells), np.asarray(electrode.potential, dtype=float)
    faults = []
    if cells.shape != grid.shape or cells.dtype != bool:
        faults.append(
            Fault(
                "wrong shape or type",
                f"bool of shape {grid.shape}",
                key=f"{electrode.name}.cells",
                value=f"{cells.dtype} {cells.shape}",
            )
        )
    if potential.shape not in ((), grid.shape):
        faults.append(
            Fault(
                "wrong shape",
                f"a number or an array of {grid.shape}",
                key=f"{electrode.name}.potential",
                value=f"{potential.shape}",
            )
        )
    if electrode.coverage is not None and not faults:
        shares = np.asarray(electrode.coverage, dtype=float)
        fit = shares.shape == grid.shape
        if not fit or not ((shares[cells] > 0.0) & (shares[cells] <= 1.0)).all():
            expected = f"numbers above 0 up to 1 of shape {grid.shape}"
            faults.append(Fault("not shares", expected, key=f"{electrode.name}.coverage"))
    if not faults and not np.isfinite(np.broadcast_to(potential, grid.shape)[cells]).all():
        faults.append(Fault("not finite", "volts", key=f"{electrode.name}.potential"))
    return faults
