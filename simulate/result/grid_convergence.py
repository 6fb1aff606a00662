"""How far a computed number is from the one an infinitely fine grid would give.

Richardson's extrapolation and the grid convergence index (GCI): the half-width of a band about
the fine-grid value that should hold the exact solution of the same equations 19 times in 20. It
is the *numerical uncertainty* of ASME V&V 20-2009 and says nothing about inputs or the model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, log

from simulate.errors import Fault, InputError

THREE_GRIDS = 1.25
"""Safety factor [-] where the order was observed on three grids (Roache 1994)."""

TWO_GRIDS = 3.0
"""Safety factor [-] where the order is only assumed, on two grids (Roache 1994)."""


@dataclass(frozen=True)
class GridConvergence:
    """What a series of grids says about one number f.

    value : f on the finest grid, in its own unit.
    order : p, observed or assumed [-].
    extrapolated : ``f1 + (f1 - f2) / (r^p - 1)``, Richardson's value.
    uncertainty : ``Fs |f1 - f2| / (r^p - 1)``, half-width of the 95 % band, in the unit of f.
    coarse_uncertainty : the same between the second and third grid; None with two grids.
    range_ratio : ``r^p GCI_fine / GCI_coarse``, near 1 where the grids are fine enough for the
        order to hold; None with two grids.
    """

    value: float
    order: float
    extrapolated: float
    uncertainty: float
    coarse_uncertainty: float | None = None
    range_ratio: float | None = None

    @property
    def index(self) -> float:
        """Grid convergence index of the finest grid, relative to its value [-]."""
        return self.uncertainty / abs(self.value) if self.value != 0.0 else 0.0


def observed_order(fine: float, medium: float, coarse: float, *ratios: float) -> float:
    """Order of convergence p from three grids [-]; 0 where the differences do not shrink.

    The root of ``r21^p (r32^p - s) / (r21^p - s) = |e32 / e21|``, e the differences of
    neighbouring values and s the sign of e32/e21 (an oscillating series has s = -1). `ratios`
    are the refinement ratios r21 and r32 > 1 [-]; one stands for both.

    Raises InputError where two neighbouring values are equal: no order can be seen.
    Source: Celik et al., J. Fluids Eng. 130 (2008) 078001 (memory), solved by bisection, since
    its fixed-point form diverges for unequal ratios; Roache, J. Fluids Eng. 116 (1994) 405.
    """
    r21, r32 = ratios[0], ratios[-1]
    e21, e32 = medium - fine, coarse - medium
    if e21 == 0.0 or e32 == 0.0:
        values = f"{fine!r}, {medium!r}, {coarse!r}"
        raise InputError(Fault("no order can be seen: two grids agree exactly", value=values))
    sign = 1.0 if e32 / e21 > 0.0 else -1.0
    wanted = log(abs(e32 / e21))

    def excess(p: float) -> float:
        shrunk = log((1.0 - sign * r32**-p) / (1.0 - sign * r21**-p))
        return p * log(r32) + shrunk - wanted

    low, high = 1e-6, 100.0
    if excess(low) >= 0.0:
        return 0.0
    while high - low > 1e-15 * high:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if excess(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)


def grid_convergence(
    values: Sequence[float],
    *ratios: float,
    order: float | None = None,
    safety: float | None = None,
) -> GridConvergence:
    """Extrapolated value and grid convergence index from two or three grids, finest first.

    `ratios` as in `observed_order`. With two values the `order` must be given; with three it is
    observed unless given. `safety` is Fs, by default 1.25 with three grids and 3 with two.

    Where the finest two values are equal the uncertainty is zero and the order, if it was not
    given, infinite. Where the differences do not shrink the order is 0, nothing is
    extrapolated, and the uncertainty is Fs times the spread of the values.

    Raises InputError for another number of values, one not finite, a ratio not above 1, or a
    missing order. Source: ASME V&V 20-2009 (memory); Roache, J. Fluids Eng. 116 (1994) 405.
    """
    _check(values, ratios, order)
    fine, medium, ratio = values[0], values[1], ratios[0]
    three = len(values) == 3
    factor = safety if safety is not None else (THREE_GRIDS if three else TWO_GRIDS)
    if fine == medium:
        return GridConvergence(fine, float("inf") if order is None else order, fine, 0.0)
    if order is None:
        if values[2] == medium:
            raise InputError(Fault("the coarser grids agree exactly", "an order", key="order"))
        order = observed_order(*values, *ratios)
    if order == 0.0:
        return GridConvergence(fine, 0.0, fine, factor * (max(values) - min(values)))
    shift = (fine - medium) / (ratio**order - 1.0)
    result = GridConvergence(fine, order, fine + shift, factor * abs(shift))
    if not three:
        return result
    coarse = factor * abs(medium - values[2]) / (ratios[-1] ** order - 1.0)
    relative = coarse / abs(medium) if medium != 0.0 else 0.0
    ratio_of_ranges = ratio**order * result.index / relative if relative else None
    return GridConvergence(
        fine, order, result.extrapolated, result.uncertainty, coarse, ratio_of_ranges
    )


def guarded_uncertainty(
    values: Sequence[float],
    ratio: float,
    *,
    order: float = 1.0,
    highest: float | None = None,
    safety: float = TWO_GRIDS,
) -> float:
    """Half-width of the 95 % band of the finest of two or three grids, finest first, where the
    order of convergence is not beyond doubt, in the unit of the values.

    An order p between `order` and `highest` is the one the scheme should have: where three values
    go one way, p is observed and held within these limits, and the band is
    ``safety |f1 - f2| / (r^p - 1)``. The factor stays that of an assumed order: differences of
    so few grids do not prove one.

    Without `highest` p is taken as `order`, and each pair of neighbours is heard, ``|f1 - f2| /
    (r^p - 1)`` and ``|f2 - f3| / (r^p (r^p - 1))``: openings that cut cells make values scatter,
    and two grids may agree by chance. So are pairs where three values go up and down; there the
    whole range of the values counts too.

    Raises InputError as `grid_convergence` does. Source: an observed order held between bounds,
    with factor 3 where it is not near the formal one: Oberkampf & Roy, Verification and Validation
    in Scientific Computing, 2010, ch. 8; the range of values that do not converge monotonically:
    Eca & Hoekstra, J. Comput. Phys. 262 (2014) 104 (both from memory). Taking the larger of two
    pairs is ours.
    """
    _check(values, [ratio], order)
    bend = (values[1] - values[0]) * (values[2] - values[1]) if len(values) == 3 else 0.0
    if highest is not None and bend > 0.0:
        held = min(max(observed_order(*values, ratio), order), highest)
        return safety * abs(values[0] - values[1]) / float(ratio**held - 1.0)
    growth = float(ratio**order)
    told = [
        abs(finer - coarser) / (growth**n * (growth - 1.0))
        for n, (finer, coarser) in enumerate(pairwise(values))
    ]
    if bend < 0.0:
        told.append(max(values) - min(values))
    return safety * max(told)


def _check(values: Sequence[float], ratios: Sequence[float], order: float | None) -> None:
    faults = []
    if len(values) not in (2, 3) or not all(isfinite(value) for value in values):
        wanted = "two or three finite numbers"
        faults.append(Fault("cannot be used", wanted, key="values", value=str(list(values))))
    if len(ratios) not in (1, 2) or not all(ratio > 1.0 for ratio in ratios):
        wanted = "one or two numbers above 1"
        faults.append(Fault("cannot be used", wanted, key="ratios", value=str(list(ratios))))
    if len(values) == 2 and order is None:
        faults.append(Fault("two grids need an assumed order", "a number", key="order"))
    if order is not None and not order > 0.0:
        faults.append(Fault("not an order", "a positive number", key="order", value=str(order)))
    if faults:
        raise InputError(faults)
