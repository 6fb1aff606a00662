"""Benches for the tests of the quick estimates."""

from __future__ import annotations

from dataclasses import replace

from simulate.case.settings import Power
from simulate.estimate.salt_dose import power_of, usual_bench
from simulate.field.supply import Supply
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.lookup import find_metal

SALT_AND_VINEGAR = Electrolyte(vinegar=60e-6, salt=6e-3)


def usual(metal="carbon_steel", supply="alkaline_9v", **changes):
    """The usual bench: 25 um on 0.5 cm2, salt and vinegar."""
    chosen = find_metal(metal) if isinstance(metal, str) else metal
    bench = usual_bench(chosen, SALT_AND_VINEGAR, power_of(supply), open_area=0.5e-4, depth=25e-6)
    return replace(bench, **changes)


def low_voltage(emf=1.5, **changes):
    """A bench whose current no salt film caps: a supply of low voltage, given by a person."""
    return usual(power=Power(Supply(emf, 0.5), 0.3, label="given"), **changes)
