"""The figure of current density on the plate at several moments, on one scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from simulate.errors import Fault, InputError
from simulate.figures.captions import current_words, lead_words, time_words, words
from simulate.figures.depth_map import draw_contact
from simulate.figures.plan_view import bulk_limits, draw_map, scale_bar
from simulate.figures.style import A_CM2, MM, WIDTH, new_figure, styled
from simulate.result.result import Result
from simulate.swab.contact_patch import contact_outline
from simulate.units import format_number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SHOWN = 6
"""Moments shown, if the run kept so many."""


@styled
def density_moments(result: Result, times: Sequence[float] = ()) -> Figure:
    """Current density on the metal at several kept stops, all in the same colours.

    Parameters
    ----------
    result : what to draw; current density [A/m2] is shown in A/cm².
    times : moments wanted [s], for each of which the nearest kept stop is taken; none spreads
        `SHOWN` over the run.

    Raises
    ------
    InputError : the run kept no map.
    """
    samples = choose_samples(result, times)
    plate = result.case.plate
    columns = 1 if plate.height < 0.35 * plate.width else 3 if plate.height > plate.width else 2
    columns = min(columns, len(samples))
    rows = -(-len(samples) // columns)
    tall = 0.9 * WIDTH / columns * plate.height / plate.width
    figure = new_figure(rows * (min(tall, 3.2) + 0.4) + 1.7)
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    maps = result.sample_density[samples].astype(np.float64) * A_CM2
    inside = maps[:, result.open_fraction > 0.0]
    limits = (0.0, bulk_limits(inside[inside > 0.01 * inside.max(initial=0.0)])[1])
    outline = contact_outline(result.case.swab)
    for ax, sample, values in zip(axes, samples, maps, strict=False):
        stop = int(result.sample_stop[sample])
        mesh = draw_map(ax, result, values, limits)
        place = np.array([result.swab_x[stop], result.swab_y[stop]])
        draw_contact(ax, (outline + place) * MM)
        ax.set(xlabel="", ylabel="", xticks=[], yticks=[])
        moment = time_words(float(result.time[stop]))
        ax.set_title(f"{moment}: {current_words(float(result.current[stop]))}")
    for ax in axes[len(samples) :]:
        ax.set_visible(False)
    extend = "max" if inside.max(initial=0.0) > limits[1] else "neither"
    figure.colorbar(
        mesh,
        ax=list(axes),
        location="bottom",
        label="current density (A/cm²)",
        aspect=40,
        shrink=0.7,
        extend=extend,
    )
    if columns == 1:
        scale_bar(axes[0])
    words(figure, _title(result, samples), _caption(result, inside))
    return figure


def choose_samples(result: Result, times: Sequence[float] = ()) -> list[int]:
    """Which of the kept maps stand nearest to some times [s], or spread over the run."""
    count = result.sample_stop.size
    if not count:
        raise InputError(Fault("no such map was kept", "a result that keeps maps", key="sample"))
    if not times:
        spread = np.linspace(0, count - 1, min(count, SHOWN)).round()
        return [int(sample) for sample in np.unique(spread)]
    kept = result.time[result.sample_stop]
    near = [int(np.argmin(np.abs(kept - time))) for time in times]
    return sorted(dict.fromkeys(near))


def _title(result: Result, samples: Sequence[int]) -> str:
    currents = result.current[result.sample_stop[list(samples)]]
    low, high = (current_words(float(value)) for value in (currents.min(), currents.max()))
    span = low if low == high else f"{low} to {high}"
    return f"Where the current goes: {span}"


def _caption(result: Result, inside: np.ndarray) -> str:
    highest = format_number(float(inside.max(initial=0.0)))
    width = result.case.plate.width * MM
    return (
        f"{lead_words(result)}Current density on the metal at {len(inside)} moments of "
        f"{time_words(result.duration)}, all in the same colours; highest {highest}"
        "\N{NO-BREAK SPACE}A/cm². Dashed: where the swab touches the mask. Hatched: under the "
        f"mask. The plate is {width:.3g}\N{NO-BREAK SPACE}mm wide."
    )
