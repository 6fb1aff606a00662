"""A job as the quick estimates look at it, without cells: the bench.

A stroke is reduced to moments, equal parts of its time in order of the share of the contact patch
that is open then; which opening comes when makes no difference to the mean current.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from simulate.case.case import Case, all_stops
from simulate.case.settings import Power, Rewet
from simulate.errors import Fault, InputError
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.lookup import Wick
from simulate.materials.metals import Metal
from simulate.stencil.measure import mean_width
from simulate.stencil.shapes import openings
from simulate.swab.contact_patch import contact_area, contact_outline
from simulate.swab.geometry import Swab
from simulate.swab.stops import Stops, distinct_places

MOMENTS: Final = 24
"""Moments of a moving stroke."""

_TRIM: Final = 0.01  # outlines are simplified by this part of the openings' width


@dataclass(frozen=True, kw_only=True)
class Bench:
    """What the quick estimates look at.

    Parameters
    ----------
    metal, electrolyte, power, swab, wick, cathode : as in a case.
    shares : open share of the contact patch in moments, equal parts of the time [-].
    open_area : of all openings [m2].
    width : of the openings, see `stencil.measure.mean_width` [m].
    thickness : of the mask [m].
    moving : whether the swab strokes.
    duration : of contact [s].
    depth : wanted [m]; None for none.
    rewet : the rule in use.
    """

    metal: Metal
    electrolyte: Electrolyte
    power: Power
    swab: Swab
    wick: Wick
    cathode: str
    shares: tuple[float, ...]
    open_area: float
    width: float
    thickness: float
    moving: bool = True
    duration: float = 60.0
    depth: float | None = None
    rewet: Rewet = field(default_factory=Rewet)

    def __post_init__(self) -> None:
        """Refuse what no job can be."""
        if not any(share > 0.0 for share in self.shares):
            raise InputError(Fault("the swab never touches an opening", "a share above 0",
                                   key="shares"))  # fmt: skip


def bench_of(case: Case) -> Bench:
    """A case as the quick estimates look at it."""
    stops = all_stops(case)
    width = mean_width(case.stencil)
    return Bench(
        metal=case.metal,
        electrolyte=case.electrolyte,
        power=case.supply,
        swab=case.swab,
        wick=case.wick,
        cathode=case.cathode,
        shares=open_shares(case, stops, _TRIM * width),
        open_area=float(openings(case.stencil).area),
        width=width,
        thickness=case.stencil.thickness,
        moving=bool(stops.moving.any()),
        duration=float(stops.dwell.sum()),
        depth=case.aim.depth,
        rewet=case.rewet,
    )


def open_shares(case: Case, stops: Stops, flatness: float) -> tuple[float, ...]:
    """Open share of the contact patch over the time of a stroke [-], in order of size.

    Each of the shares stands for the same part of the time and is the mean over that part; their
    mean is that of all stops.

    Parameters
    ----------
    flatness : to which the outlines of the openings are trimmed [m].
    """
    import shapely

    places, index = distinct_places(stops)
    time = np.bincount(index, weights=stops.dwell)
    plate = shapely.box(0.0, 0.0, case.plate.width, case.plate.height)
    area = shapely.intersection(shapely.simplify(openings(case.stencil), flatness), plate)
    patches = shapely.polygons(contact_outline(case.swab)[None, :, :] + places[:, None, :])
    share = shapely.area(shapely.intersection(patches, area)) / contact_area(case.swab)
    order = np.argsort(share)
    passed = np.concatenate([[0.0], np.cumsum(time[order])])
    total = np.concatenate([[0.0], np.cumsum(time[order] * np.minimum(share[order], 1.0))])
    moments = np.linspace(0.0, passed[-1], (1 if len(places) == 1 else MOMENTS) + 1)
    means = np.diff(np.interp(moments, passed, total)) / np.diff(moments)
    return tuple(float(mean) for mean in means)
