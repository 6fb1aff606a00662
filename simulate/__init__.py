"""swabfield: what a wet swab etches into a stencilled metal plate while a current flows.

Reading order. Each file imports only from those above it; `tests/test_layers.py` holds this.

    errors        what can go wrong, and how a fault is worded
    units         "0.15 mm" to SI and back
    kernels       every compiled loop; arrays only, so they may be read last
    polarisation  overpotential and current density of an electrode
    datum         one number of a catalogue, with its source and its range
    circuit       the supply: voltage, resistance, current limit, batteries
    electrolyte   salt in vinegar: conductivity, density, acid
    metals        how they dissolve, their films, what a charge removes
    materials     the shelf: metals, electrolyte, cathodes, wicks, masks, supplies
    outlines      curves and letters to areas
    stencil       openings, and the open share of given cells
    stencil_files  openings from SVG, PNG and DXF files
    tape          what falls out of a stencil, tears or stays dry
    swab          bud and pad: contact patch, wire, wet volume
    swab_resistance  cathode to plate by a quick formula, checked against the field
    stroke        the path of the swab: stops and their dwell
    setting       plate, power, room and how finely it is computed
    casefile      the case file: its keys and tables, faults in their place, parts made
    case          all of the above, frozen; every fault of a file at once
    grid          cells: box, section, axisymmetric
    conductance   conductances between cells
    edge_fields   the field close to an edge of metal or mask
    edges         fitted conductances near straight edges
    coarsening    which cells join into those of the next coarser level
    level         one level: its box, its arrays, how it joins into the next
    multigrid     cycle and conjugate gradients over all levels
    terminals     electrode faces and the supply between them
    newton        one field: potentials, polarisation and circuit together
    potential     a field on any grid, checked at the door
    window        the swab at one place over the plate: cells, conductivities, electrodes
    drying        a wet body warms, evaporates and boils
    souring       pH, hydroxides, salt films
    wetting       the swab as a lumped body: heat, water, acid, metal, gas
    removal       charge to depth and mass
    bench         a job as the quick estimates look at it
    operating_point  the current one should read, its band, and where the band comes from
    forecast      a whole job in a moment: time, depth, dips, batteries
    recipe        doses of salt against conductivity, current and time
    uncertainty   Richardson's extrapolation and the grid convergence index
    result        what a run leaves, and its NetCDF file
    grid_error    what the cells do to a run: the case on coarser ones
    surface       films, layers and depth of the metal as charge passes
    spots         the swab solved at one spot: what the plate passes
    response      how one place answers to conductivity and supply
    march         swab, battery and clock from stop to stop
    course        what is fixed before a run: cells, window, laws, stops
    tally         charge, peaks and samples on the plate
    blocks        where a run is cut because the metal's surface has changed
    first_run     two processes compile what a first run needs
    etching       the run: blocks, rounds, and what they leave
    section       the field in a plane under the swab, with lines of equal current
    closed_forms  exact solutions: planes, cylinders, spheres, disks, corners
    conformal_maps  exact solutions: strips, channels, the Hull cell
    recess        openings in a mask, and electrodes with linear kinetics, to many digits
    air           gas of a current in the air of a room
    verdict       one number held against one published limit
    safety        gas, metals, heat, waste: verdicts and cautions
    precautions   the safety box of a case or of a run
    figures       pictures of a result
    export        surfaces, cells and tables for other programs
    pieces        the path in pieces, and a schedule over them
    allotment     time allotted by least squares
    crowding      what of the current's spread no time can even out
    dwell_fields  fields by place, and swab and supply carried along a stroke
    dwell_plan    the answer: a schedule and what it leaves, in words, tables, a picture
    dwell         the times that give a wanted depth, and what no schedule can even out
    explain       why here deeper than there: causes, shares, the change that helps
    compare       several results beside each other
    variation     what a sweep varies, and the points that makes
    swept         what a sweep leaves: rows, table, chart, file
    sweep         many cases over processes or a cluster
    page          the classroom page: one file to pass on
    cli           commands and words for the terminal

The names below are the public face. They are fetched when first used, so that the import is cheap.

    import simulate as sf
    result = sf.etch_case(sf.read_case("cases/garden_tag.toml"))
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulate.case.case import Case, parse_case, read_case
    from simulate.materials.battery import Supply
    from simulate.explain.comparison import Comparison, compare_results
    from simulate.dwell.optimise import plan_dwell
    from simulate.dwell.plan import DwellPlan
    from simulate.errors import (
        CapacityError,
        ConvergenceError,
        InputError,
        ResultError,
        SwabfieldError,
    )
    from simulate.run.etch import etch_case
    from simulate.explain import Explanation, explain_result
    from simulate.figures import draw_result
    from simulate.field.grid import Grid
    from simulate.field.polarisation import ButlerVolmer, Linear, Tafel
    from simulate.field.potential import Electrode, solve_potential
    from simulate.result.result import Result, read_result, write_result
    from simulate.sweep.run import cluster_executor, run_sweep
    from simulate.sweep.table import Sweep, write_sweep
    from simulate.sweep.axes import Axis, parse_vary

    __version__: str

__all__ = [
    "Axis",
    "ButlerVolmer",
    "CapacityError",
    "Case",
    "Comparison",
    "ConvergenceError",
    "DwellPlan",
    "Electrode",
    "Explanation",
    "Grid",
    "InputError",
    "Linear",
    "Result",
    "ResultError",
    "Supply",
    "SwabfieldError",
    "Sweep",
    "Tafel",
    "__version__",
    "cluster_executor",
    "compare_results",
    "draw_result",
    "etch_case",
    "explain_result",
    "parse_case",
    "parse_vary",
    "plan_dwell",
    "read_case",
    "read_result",
    "run_sweep",
    "solve_potential",
    "write_result",
    "write_sweep",
]

_HOMES = {
    "errors": ("CapacityError", "ConvergenceError", "InputError", "ResultError", "SwabfieldError"),
    "polarisation": ("ButlerVolmer", "Linear", "Tafel"),
    "circuit": ("Supply",),
    "case": ("Case", "parse_case", "read_case"),
    "grid": ("Grid",),
    "potential": ("Electrode", "solve_potential"),
    "result": ("Result", "read_result", "write_result"),
    "etching": ("etch_case",),
    "figures": ("draw_result",),
    "explain": ("Explanation", "explain_result"),
    "compare": ("Comparison", "compare_results"),
    "dwell": ("plan_dwell",),
    "dwell_plan": ("DwellPlan",),
    "variation": ("Axis", "parse_vary"),
    "sweep": ("cluster_executor", "run_sweep"),
    "swept": ("Sweep", "write_sweep"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Fetch a public name from its module when it is first used."""
    from importlib import import_module, metadata

    if name == "__version__":
        value: Any = metadata.version("swabfield")
    elif name in _HOME_OF:
        value = getattr(import_module(f"simulate.{_HOME_OF[name]}"), name)
    else:
        raise AttributeError(f"module 'simulate' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """The public names, fetched or not."""
    return sorted({*globals(), *__all__})
