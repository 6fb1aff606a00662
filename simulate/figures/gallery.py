"""All figures by name, and their files."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.errors import ResultError
from simulate.explain.comparison import Comparison
from simulate.explain.explanation import Explanation
from simulate.figures.causes import factor_maps, share_bars
from simulate.figures.cell import cell_figure
from simulate.figures.comparison import beside_maps, beside_profiles
from simulate.figures.depth_map import density_map, depth_map
from simulate.figures.exact_profile import exact_profile, simple_opening
from simulate.figures.history import current_history
from simulate.figures.map_row import map_row
from simulate.figures.profile import depth_profile
from simulate.figures.snapshots import density_moments
from simulate.figures.style import FORMATS, check_known, lay_out, save_figure, style
from simulate.result.result import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def _section(result: Result) -> Figure:
    """The section under the swab where the case tells most."""
    from simulate.figures.section_view import section_figure  # these two bring the field's solver
    from simulate.section.solve import solve_section

    return section_figure(solve_section(result.case))


FIGURES: dict[str, Callable[[Result], Figure]] = {
    "cell": cell_figure,
    "section": _section,
    "density_map": density_map,
    "density_moments": density_moments,
    "map_row": map_row,
    "depth_map": depth_map,
    "depth_profile": depth_profile,
    "exact_profile": exact_profile,
    "current_history": current_history,
}
"""The figures of a result by name, in the order they are drawn."""

USUAL = ("depth_map", "density_map", "depth_profile", "current_history", "map_row")
"""Those that `etch` draws; quick ones, which every whole run has."""

BESIDE: dict[str, Callable[[Sequence[Result], Sequence[str]], Figure]] = {
    "comparison": beside_maps,
    "comparison_profiles": beside_profiles,
}
"""The figures of several results."""

CHART = "design_chart"
"""The figure of a sweep."""

_STOPS_NEEDED = frozenset({"cell", "section", "density_map", "density_moments", "current_history"})


def drawable(result: Result) -> tuple[str, ...]:
    """The names in `FIGURES` that a result has: not all where it was stopped before its first
    stop, or where no opening has an exact solution."""
    lacking = set() if result.sample_stop.size else set(_STOPS_NEEDED)
    if simple_opening(result) is None or not result.depth.any():
        lacking.add("exact_profile")
    return tuple(name for name in FIGURES if name not in lacking)


def draw_result(
    result: Result,
    folder: str | os.PathLike[str],
    formats: Iterable[str] = ("png", "svg"),
    *,
    figures: Iterable[str] | None = None,
    outlines: bool = False,
) -> tuple[Path, ...]:
    """Draw a result's figures into a folder, made if it is not there.

    The same result gives the same bytes.

    Parameters
    ----------
    result : what to draw.
    folder : where the files go; each is named after its figure, such as ``depth_map.png``.
    formats : any of ``png``, ``svg``, ``pdf``.
    figures : names from `FIGURES`; None draws those of `USUAL` that are `drawable`.
    outlines : turn text in SVG into outlines; see `simulate.figures.style.save_figure`.

    Returns
    -------
    The files written, in order.

    Raises
    ------
    InputError
        If a format or figure is not known, or a named figure needs what the result lacks.
    ResultError
        If a file cannot be written.
    """
    formats = tuple(formats)
    check_known("format", formats, FORMATS)
    if figures is None:
        figures = [name for name in USUAL if name in drawable(result)]
    names = tuple(figures)
    check_known("figure", names, FIGURES)
    made = ((name, FIGURES[name](result)) for name in names)
    return write_figures(made, folder, formats, outlines=outlines)


def draw_comparison(
    comparison: Comparison,
    folder: str | os.PathLike[str],
    formats: Iterable[str] = ("png", "svg"),
) -> tuple[Path, ...]:
    """Draw depth maps on one scale and profiles over each other into a folder; the files written.

    Raises
    ------
    ResultError : a file cannot be written.
    """
    figures = [
        ("maps", beside_maps(comparison.results, comparison.names)),
        ("profiles", beside_profiles(comparison.results, comparison.names)),
    ]
    return write_figures(figures, folder, formats)


def draw_explanation(
    explanation: Explanation,
    folder: str | os.PathLike[str],
    formats: Iterable[str] = ("png", "svg"),
) -> tuple[Path, ...]:
    """Draw shares and factor maps of an explanation into a folder; the files written.

    Raises
    ------
    ResultError : a file cannot be written.
    """
    found = explanation
    figures = [
        ("shares", share_bars(found.result, found.attributions)),
        ("factors", factor_maps(found.result, found.wet_time, found.mean_density)),
    ]
    return write_figures(figures, folder, formats)


def write_figures(
    figures: Iterable[tuple[str, Figure]],
    folder: str | os.PathLike[str],
    formats: Iterable[str] = ("png", "svg"),
    *,
    outlines: bool = False,
) -> tuple[Path, ...]:
    """Write figures by name into a folder, made if it is not there; see `draw_result`."""
    formats = tuple(formats)
    check_known("format", formats, FORMATS)
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultError(f"{target}: cannot be made: {error.strerror}") from error
    written = []
    for name, figure in figures:
        with style():  # laid out once, for all formats
            lay_out(figure)
            figure.set_layout_engine(None)
        for kind in formats:
            written.append(target / f"{name}.{kind}")
            save_figure(figure, written[-1], outlines=outlines)
    return tuple(written)
