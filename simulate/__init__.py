"""swabfield: what a wet swab etches into a stencilled metal plate while a current flows.

Reading order. Each file imports only from those above it; `tests/test_layers.py` holds this.

    errors         what can go wrong, and how a fault is worded
    rules          input validation: rules for the fields of a record
    constants      physical constants
    units          "0.15 mm" to SI and back
    files          atomic file writes
    machine        processors and memory
    kernels        compiled loops; arrays only, so they may be read last
    field          potential and current in any cell: finite volumes, electrodes, multigrid
    exact          exact solutions, for checks and for teaching
    materials      metals, electrolyte, batteries: catalogued numbers, and Faraday's law
    stencil        openings in the mask, and what is weak in a stencil
    stencil_files  openings from SVG, PNG and DXF files
    swab           the tool: its shape and path, heat, chemistry and state
    case           the case file and what it means
    estimate       quick answers without a field
    result         what a run leaves, its measures and its numerical error
    safety         gas, metals, heat, waste: verdicts and cautions
    run            one case from first stop to last
    section        the field in a plane under the swab
    export         surfaces, cells and tables for other programs
    dwell          the times that give a wanted depth, and what no schedule can even out
    explain        why here deeper than there; several results beside each other
    sweep          one case over many values
    figures        pictures of all of these
    page           the classroom page: one file to pass on
    cli            commands and words for the terminal

The names below are the public face. They are fetched when first used, so that the import is cheap.

    import simulate as sf
    result = sf.etch_case(sf.read_case("cases/garden_tag.toml"))
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulate.case.case import Case, parse_case, read_case
    from simulate.dwell.optimise import plan_dwell
    from simulate.dwell.plan import DwellPlan
    from simulate.errors import (
        CapacityError,
        ConvergenceError,
        InputError,
        ResultError,
        SwabfieldError,
    )
    from simulate.explain import Explanation, explain_result
    from simulate.explain.comparison import Comparison, compare_results
    from simulate.field.grid import Grid
    from simulate.field.polarisation import ButlerVolmer, Linear, Tafel
    from simulate.field.potential import Electrode, solve_potential
    from simulate.field.supply import Supply
    from simulate.figures import (
        draw_comparison,
        draw_explanation,
        draw_plan,
        draw_result,
        draw_sweep,
    )
    from simulate.result.netcdf import read_result, write_result
    from simulate.result.result import Result
    from simulate.run.etch import etch_case
    from simulate.section.grow import Growth
    from simulate.section.grow_section import grow_section
    from simulate.section.opening import Opening
    from simulate.sweep.axes import Axis, parse_vary
    from simulate.sweep.file import read_sweep, write_sweep
    from simulate.sweep.run import cluster_executor, run_sweep
    from simulate.sweep.table import Sweep

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
    "Growth",
    "InputError",
    "Linear",
    "Opening",
    "Result",
    "ResultError",
    "Supply",
    "SwabfieldError",
    "Sweep",
    "Tafel",
    "__version__",
    "cluster_executor",
    "compare_results",
    "draw_comparison",
    "draw_explanation",
    "draw_plan",
    "draw_result",
    "draw_sweep",
    "etch_case",
    "explain_result",
    "grow_section",
    "parse_case",
    "parse_vary",
    "plan_dwell",
    "read_case",
    "read_result",
    "read_sweep",
    "run_sweep",
    "solve_potential",
    "write_result",
    "write_sweep",
]

_HOMES = {
    "errors": ("CapacityError", "ConvergenceError", "InputError", "ResultError", "SwabfieldError"),
    "field.polarisation": ("ButlerVolmer", "Linear", "Tafel"),
    "field.supply": ("Supply",),
    "field.grid": ("Grid",),
    "field.potential": ("Electrode", "solve_potential"),
    "case.case": ("Case", "parse_case", "read_case"),
    "result.result": ("Result",),
    "result.netcdf": ("read_result", "write_result"),
    "run.etch": ("etch_case",),
    "section.opening": ("Opening",),
    "section.grow": ("Growth",),
    "section.grow_section": ("grow_section",),
    "figures": (
        "draw_comparison",
        "draw_explanation",
        "draw_plan",
        "draw_result",
        "draw_sweep",
    ),
    "dwell.optimise": ("plan_dwell",),
    "dwell.plan": ("DwellPlan",),
    "explain": ("Explanation", "explain_result"),
    "explain.comparison": ("Comparison", "compare_results"),
    "sweep.axes": ("Axis", "parse_vary"),
    "sweep.run": ("cluster_executor", "run_sweep"),
    "sweep.table": ("Sweep",),
    "sweep.file": ("read_sweep", "write_sweep"),
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
