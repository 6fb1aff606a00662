"""Faraday's law: charge to depth and mass.

depth = efficiency * EW / (F * density) * charge density, with EW from `materials.lookup`. Where a
metal lies in layers, each layer takes its own charge until it is gone; the last has no end.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from simulate.constants import FARADAY
from simulate.errors import Fault, InputError
from simulate.materials.metals import Metal, atomic_mass

Floats = npt.NDArray[np.float64]


def layers(metal: Metal) -> Iterator[tuple[Metal, float]]:
    """A metal's layers from the top, each with its thickness [m]; the last is infinite."""
    layer: Metal | None = metal
    while layer is not None:
        yield layer, math.inf if layer.thickness is None else layer.thickness.value
        layer = layer.under


def layer_at(metal: Metal, depth: float) -> Metal:
    """The layer that is laid bare at a depth [m]."""
    top = 0.0
    for layer, thickness in layers(metal):
        top += thickness
        if depth < top:
            return layer
    raise InputError(Fault("deeper than the last layer", key="depth", value=f"{depth:g}"))


def removal_rate(metal: Metal, density: npt.ArrayLike) -> Floats:
    """Speed at which the uppermost layer recedes [m/s].

    Parameters
    ----------
    density : current density into the electrolyte [A/m2], any shape; cathodic removes nothing.
    """
    anodic = np.maximum(np.asarray(density, dtype=float), 0.0)
    return np.asarray(anodic * (metal.efficiency.value * metal.depth_per_charge))


def depth_from_charge(metal: Metal, charge_density: npt.ArrayLike) -> Floats:
    """Depth a charge removes [m].

    Parameters
    ----------
    charge_density : [C/m2], any shape; negative counts as none.

    >>> from simulate.materials.lookup import find_metal
    >>> round(float(depth_from_charge(find_metal("carbon steel"), 1e6)) * 1e6, 1)  # 100 C/cm2
    35.0
    """
    left = np.maximum(np.asarray(charge_density, dtype=float), 0.0)
    depth = np.zeros_like(left)
    for layer, thickness in layers(metal):
        per_charge = layer.efficiency.value * layer.depth_per_charge
        taken = np.minimum(left * per_charge, thickness)
        depth = depth + taken
        if math.isinf(thickness):
            break
        left = np.maximum(left - charge_through(layer), 0.0)
    return np.asarray(depth)


def charge_through(layer: Metal) -> float:
    """Charge density that removes a layer [C/m2]; infinite for a plate all through."""
    if layer.thickness is None:
        return math.inf
    per_charge = layer.efficiency.value * layer.depth_per_charge
    return layer.thickness.value / per_charge if per_charge else math.inf


def charge_for_depth(metal: Metal, depth: npt.ArrayLike) -> Floats:
    """Charge density that a depth takes [C/m2]; the inverse of `depth_from_charge`.

    Parameters
    ----------
    depth : [m], any shape, zero or more.

    Raises
    ------
    InputError : a layer in the way does not dissolve, with the metal's reason.
    """
    left = np.maximum(np.asarray(depth, dtype=float), 0.0)
    charge = np.zeros_like(left)
    for layer, thickness in layers(metal):
        per_charge = layer.efficiency.value * layer.depth_per_charge
        if per_charge == 0.0:
            if np.any(left > 0.0):
                raise InputError(
                    Fault(layer.verdict, layer.instead, key="metal", value=layer.label)
                )
            break
        taken = np.minimum(left, thickness)
        charge = charge + taken / per_charge
        left = left - taken
    return np.asarray(charge)


def mass_of_depth(metal: Metal, depth: npt.ArrayLike) -> Floats:
    """Mass per area that a depth of a metal's layers makes [kg/m2].

    Parameters
    ----------
    depth : [m], any shape.
    """
    left = np.asarray(depth, dtype=float)
    mass = np.zeros_like(left)
    for layer, thickness in layers(metal):
        taken = np.minimum(left, thickness)
        mass, left = mass + taken * layer.density.value, left - taken
    return mass


def removed_mass(metal: Metal, charge_density: npt.ArrayLike) -> Floats:
    """Mass removed per area [kg/m2] by a charge density [C/m2], through all layers."""
    left = depth_from_charge(metal, charge_density)
    mass = np.zeros_like(left)
    for layer, thickness in layers(metal):
        taken = np.minimum(left, thickness)
        mass = mass + taken * layer.density.value
        left = left - taken
    return np.asarray(mass)


def dissolved_elements(metal: Metal, charge: float) -> dict[str, float]:
    """Mass of each element one layer gives to the liquid [kg].

    In proportion to the composition: w_k * efficiency * EW * charge / F. Chromium that leaves
    hexavalent is listed a second time as ``"Cr(VI)"``: depth and danger move together.

    Parameters
    ----------
    charge : passed through this layer [C].
    """
    mass = metal.efficiency.value * metal.equivalent_weight * charge / FARADAY
    found = {element: share * mass for element, share in metal.composition.items()}
    if metal.high_valences.get("Cr", 0.0) == 6.0:
        found["Cr(VI)"] = found["Cr"] * metal.high_share.value
    return found


def mean_valence(metal: Metal) -> float:
    """Mean number of electrons per atom dissolved [-]: mean atomic mass over equivalent weight."""
    atoms = sum(share / atomic_mass(element) for element, share in metal.composition.items())
    return 1.0 / (metal.equivalent_weight * atoms)
