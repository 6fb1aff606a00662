"""The lesson sheet, made from runs of `lesson.toml`.

    python cases/lesson/make_sheet.py

writes lesson.md beside this file; `python tools.py lesson` does the same. Words are in
sheet.md.jinja, every number comes from a run. Nothing here is measured.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

import simulate as sf
from simulate.case.case import with_changes
from simulate.errors import Fault, InputError
from simulate.estimate.forecast import forecast_of
from simulate.estimate.inputs import bench_of
from simulate.materials.metals import FARADAY

HERE = Path(__file__).parent
CASE, WORDS, SHEET = HERE / "lesson.toml", HERE / "sheet.md.jinja", HERE / "lesson.md"

VARIANTS: dict[str, dict[str, Any]] = {
    "as it is": {},
    "a quarter of the salt": {"electrolyte.salt": "1.5 g"},
    "half the strokes": {"stroke.passes": 50},
    "four layers": {"stencil.layers": 4},
}
"""The runs: what each changes of the case."""

ALLOWED = {"Fe", "C", "Mn"}
"""What a plate for class may hold; it keeps chromium, nickel and copper out."""

MOLE_OF_GAS = 24.05  # litres at 20 degC and 1 atm, ideal gas


def class_case(path: Path = CASE) -> sf.Case:
    """The case, refused unless its metal may come into a classroom.

    Raises
    ------
    InputError : the metal gives off what has no place in a class.
    """
    case = sf.read_case(path)
    if not set(case.metal.composition) <= ALLOWED or case.metal.under is not None:
        fault = Fault("not for class", "plain carbon steel", key="plate.metal")
        raise InputError(fault)
    return case


def run_all(case: sf.Case) -> dict[str, sf.Result]:
    """Every variant etched."""
    return {name: sf.etch_case(with_changes(case, changes)) for name, changes in VARIANTS.items()}


def mean_depth(result: sf.Result, number: int) -> float:
    """Mean depth in one of the case's rectangles [m], counted from 0."""
    shape = result.case.stencil.shapes[number]
    inside = np.abs(result.x - shape.x) < 0.5 * shape.width + 0.5e-4
    area = result.open_area[:, inside]
    return float((result.depth[:, inside] * area).sum() / area.sum())


def digits(value: float, count: int = 2) -> str:
    """A number to so many figures, without powers of ten.

    >>> digits(0.04712), digits(1234.0)
    ('0.047', '1200')
    """
    power = count - 1 - int(np.floor(np.log10(abs(value)))) if value else 0
    return f"{round(value, power):.{max(power, 0)}f}"


def band(value: float, best: float, low: float, high: float) -> str:
    """The band of an estimate, in its proportions around a run's value."""
    return f"{digits(value * low / best)} to {digits(value * high / best)}"


def sheet_numbers(results: Mapping[str, sf.Result]) -> dict[str, Any]:
    """Everything the sheet says that depends on case or run."""
    first = results["as it is"]
    return _of_the_case(first.case, first) | _of_the_run(first) | _of_variants(results)


def _of_the_case(case: sf.Case, first: sf.Result) -> dict[str, Any]:
    plate, bud = case.plate, case.swab
    square, slot = case.stencil.shapes
    ways = round(case.strokes[0].passes)
    minutes = first.duration / 60.0
    said = tomllib.loads(case.text)
    return {
        "runs": ("no", "one", "two", "three", "four")[len(VARIANTS)],
        "metal": case.metal.label,
        "plate": f"{1e3 * plate.width:g} mm by {1e3 * plate.height:g} mm",
        "tape": f"one layer of electrical tape, {1e3 * case.stencil.thickness:g} mm thick",
        "vinegar": said["electrolyte"]["vinegar"],
        "salt": said["electrolyte"]["salt"],
        "supply": f"Two AA cells in a holder ({said['supply']['emf']})",
        "bud": f"{1e3 * bud.diameter:g} mm thick and {1e3 * bud.length:g} mm long",
        "square": f"{1e3 * square.width:g} mm",
        "slot": f"{1e3 * slot.width:g} mm",
        "minutes": digits(minutes),
        "crossing": digits(first.duration / ways),
        "rewet": f"{case.rewet.time:g}",
        "ticks": [str(k) for k in range(1, int(minutes) + 1)],
        "seconds": digits(first.duration),
    }


def _of_the_run(result: sf.Result) -> dict[str, Any]:
    summary, case = result.summary, result.case
    foreseen = forecast_of(bench_of(case))
    peak = summary["peak_current"]["value"]
    charge, mass = summary["charge"]["value"], 1e6 * summary["removed_mass"]["value"]
    depth = 1e6 * mean_depth(result, 0)
    volts = float(result.voltage[np.argmax(result.current)])
    ends = {
        name: (datum.value, datum.low, datum.high)
        for name, datum in (("current", foreseen.current), ("depth", foreseen.depth))
    }
    return {
        "current": digits(peak),
        "current_band": band(peak, *ends["current"]),
        "charge": digits(charge),
        "charge_band": band(charge, *ends["current"]),
        "mass": digits(mass),
        "mass_band": band(mass, *ends["depth"]),
        "square_depth": digits(depth),
        "depth_band": band(depth, *ends["depth"]),
        "ratio": digits(mean_depth(result, 1) / mean_depth(result, 0)),
        "volts": digits(volts, 3),
        "floor": digits(foreseen.point.floor.value),
        "cotton": digits(volts - foreseen.point.floor.value),
        "swab_ohm": digits((volts - foreseen.point.floor.value) / peak),
        "terminal": digits(case.supply.source.emf - peak * case.supply.source.resistance, 3),
        "most_charge": digits(peak * result.duration),
        "hydrogen": digits(1e3 * MOLE_OF_GAS * charge / (2.0 * FARADAY)),
        "hottest": digits(float(result.temperature.max()) - 273.15),
        "plates": digits(1e3 / mass),
        "calliper": f"{max(round(depth / 10.0), 1)}",
    }


def _of_variants(results: Mapping[str, sf.Result]) -> dict[str, Any]:
    first, thick = results["as it is"], results["four layers"]
    little, half = results["a quarter of the salt"], results["half the strokes"]

    def share(part: sf.Result, name: str) -> str:
        return digits(100.0 * part.summary[name]["value"] / first.summary[name]["value"])

    liquids = [run.case.electrolyte.conductivity() for run in (little, first)]
    return {
        "salt_share": share(little, "charge"),
        "salt_conducts": digits(100.0 * liquids[0] / liquids[1]),
        "half_share": share(half, "mean_depth"),
        "thick_share": digits(100.0 * mean_depth(thick, 0) / mean_depth(first, 0)),
        "thick_edge": digits(thick.summary["edge_ratio"]["value"], 3),
        "thin_edge": digits(first.summary["edge_ratio"]["value"], 3),
    }


def sheet_text(numbers: Mapping[str, Any]) -> str:
    """The sheet with its numbers."""
    import jinja2

    environment = jinja2.Environment(undefined=jinja2.StrictUndefined, keep_trailing_newline=True)
    return environment.from_string(WORDS.read_text(encoding="utf-8")).render(numbers)


def main() -> None:
    """Run, fill in, write."""
    text = sheet_text(sheet_numbers(run_all(class_case())))
    SHEET.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
