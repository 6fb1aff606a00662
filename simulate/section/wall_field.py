"""The field in a cut network: potentials, polarisation at the walls and circuit together."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from simulate.errors import ConvergenceError
from simulate.field.supply import Supply
from simulate.section.cut_cells import CutLinks, CutNetwork
from simulate.section.electrode_links import ElectrodeLinks, Form, joined
from simulate.section.wall_newton import System, balance

Doubles = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Circuit:
    """What drives the current.

    Parameters
    ----------
    laws : (2, 8) of the walls and of the cathode, rows of `polarisation.law_row`.
    supply : between them. current : driven in its place [A/m], [A], into ``source``.
    source : nodes of the ground into which a current flows that meets no cathode: share of each
        cell (rows, nx) [-], summing to 1.
    """

    laws: Doubles
    supply: Supply | None = None
    current: float = 0.0
    source: Doubles | None = None


@dataclass(frozen=True, eq=False)
class WallField:
    """What `solve_wall_field` finds.

    phi : potential of each node [V]; voltage : of the walls' metal against the cathode's [V].
    current : into the cathode [A/m], [A]. Of each link, density : at the wall [A/m2], weight : wall
    area that it stands for [m], [m2], carried : current into its node [A/m], [A], over : the wall's
    overpotential [V]. steps : of Newton's method. residual : relative [-].
    """

    network: CutNetwork
    phi: Doubles
    voltage: float
    current: float
    density: Doubles
    weight: Doubles
    carried: Doubles
    over: Doubles
    steps: int
    residual: float


def solve_wall_field(
    network: CutNetwork,
    circuit: Circuit,
    *,
    seen: Doubles | None = None,
    faces: CutLinks | None = None,
    form: Form = "symmetric",
    start: tuple[Doubles, float] | None = None,
    tangential: Doubles | None = None,
) -> WallField:
    """Solve potentials, walls and circuit.

    Parameters
    ----------
    seen : conductances between ports of what stands above, `UpperPart.seen`; its first ports are
        the network's nodes of the fixed row.
    faces : links of ports to the cathode.
    start : potentials of the nodes and the voltage to start from [V].
    tangential : current density along the wall at each link of the network [A/m2], from a solution
        before; what the wall's own potential drives past the normal one.

    Raises
    ------
    ConvergenceError : with residual and steps.
    """
    attempt = partial(_solved, network, circuit, seen, faces, tangential=tangential)
    if form == "symmetric":
        return attempt(form, start)
    if start is not None:
        with suppress(ConvergenceError):
            return attempt(form, start)
    first = attempt("symmetric", start)  # converges from anywhere
    return attempt(form, (first.phi, first.voltage))


def _solved(
    network: CutNetwork,
    circuit: Circuit,
    seen: Doubles | None,
    faces: CutLinks | None,
    form: Form,
    start: tuple[Doubles, float] | None,
    *,
    tangential: Doubles | None,
) -> WallField:
    """The field in one form."""
    cut = network.links if faces is None else joined(network.links, faces)
    if tangential is not None and faces is not None:
        tangential = np.concatenate([tangential, np.zeros(len(faces))])
    if network.fixed:  # cells of the fixed row are never cut in their own balance
        whole = cut.node >= network.nodes - network.fixed
        cut = replace(cut, stretch=np.where(whole, 1.0, cut.stretch))
    links = ElectrodeLinks(cut, circuit.laws, form, tangential)
    system = System(network, seen, links, form)
    injected = np.zeros(system.size)
    if circuit.source is not None:
        inside = network.number[: len(circuit.source)]
        fed = circuit.source > 0.0
        injected[inside[fed]] -= circuit.current * circuit.source[fed]
    voltage = 0.0 if circuit.supply is None else circuit.supply.emf
    phi = np.full(system.size, 0.5 * voltage)
    if start is not None:
        phi, voltage = start[0].copy(), start[1]
    phi, voltage, steps, residual = balance(system, circuit.supply, phi, voltage, injected)
    count = len(network.links)
    current = circuit.current if circuit.source is not None else -links.total(1)
    return WallField(
        network,
        phi,
        voltage,
        current,
        density=links.density[:count],
        weight=links.weight[:count],
        carried=links.current[:count],
        over=links.over[:count],
        steps=steps,
        residual=residual,
    )
