"""Texts of the page: numbers, causes, cautions and questions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import exp
from typing import Any

import numpy as np

from simulate.materials.removal import charge_for_depth
from simulate.result.result import Result
from simulate.safety.precautions import after_run
from simulate.units import format_quantity

Findings = Mapping[str, Any]
"""An explanation as plain values: `Explanation.summary`, or what `explain` wrote to its file."""


SLIGHT = 1e-4  # a relative numerical error below this is not told


_ROWS = (
    ("mean depth", "mean_depth", "µm"),
    ("deepest place", "max_depth", "µm"),
    ("evenness (1 is perfectly even)", "evenness", ""),
    ("depth at rims over depth elsewhere", "edge_ratio", ""),
    ("open area", "open_area", "cm2"),
    ("charge passed", "charge", "C"),
    ("highest current", "peak_current", "A"),
    ("time of the whole stroke", "duration", "s"),
    ("metal removed", "removed_mass", "mg"),
)


def facts_of(result: Result) -> dict[str, Any]:
    """Rows of the table of numbers."""
    summary = result.summary
    rows = [(label, _shown(summary[name], unit)) for label, name, unit in _ROWS]
    errors = [
        f"{name.replace('_', ' ')} {format_quantity(abs(error), '%', 2)}"
        for name, error in result.numerical.items()
        if abs(error) >= SLIGHT
    ]
    none = f"below {format_quantity(SLIGHT, '%')}" if result.numerical else "not estimated"
    rows.append(("numerical error, about", "; ".join(errors) or none))
    return {"title": result.case.title, "partial": result.partial, "rows": rows}


def _shown(quantity: Mapping[str, Any], unit: str) -> str:
    value = quantity["value"]
    return "none" if value is None else format_quantity(value, unit).replace("cm2", "cm²")


_HEADS = {
    "evenness": "unevenness",
    "edge_ratio": "rims / rest",
    "narrow_to_wide": "narrow / wide",
    "spots": "A / B",
}


def causes_of(result: Result, found: Findings) -> dict[str, Any]:
    """The table of an explanation: causes down, measures across, factors; and its sentences."""
    measures = {name: one for name, one in found["measures"].items() if name in _HEADS}
    sentences = {name: str(text) for name, text in found["sentences"].items()}
    rows = [
        (
            sentences[cause].split(":")[0],
            [f"×{exp(one['shares'][cause]):.2f}" for one in measures.values()],
        )
        for cause in sentences
    ]
    return {
        "title": result.case.title,
        "heads": [_HEADS[name] for name in measures],
        "total": [f"×{exp(one['log_ratio']):.2f}" for one in measures.values()],
        "rows": rows,
        "sentences": list(sentences.values()),
    }


def care_for(result: Result) -> dict[str, Any]:
    """The safety box: what is past a limit, what calls for watching, what to tell people."""
    box = after_run(result)
    room, assumed = box.room, " (assumed)" if box.room_assumed else ""
    changes = 3600.0 * room.air_changes
    said = {verdict.advice for verdict in box.verdicts if verdict.severity != "fine"}
    return {
        "title": result.case.title,
        "room": f"A room of {room.volume:g} m³ with {changes:g} air changes an hour{assumed}.",
        "past": [verdict.sentence() for verdict in box.of_severity("past")],
        "watch": [verdict.sentence() for verdict in box.of_severity("watch")],
        "cautions": [text for text in box.cautions if text not in said],
    }


def questions_on(results: Sequence[Result]) -> Iterator[tuple[str, str]]:
    """Questions to think about before looking, each with its answer from the numbers."""
    result = results[0]
    summary, metal = result.summary, result.case.metal
    mean, edge = summary["mean_depth"]["value"], summary["edge_ratio"]["value"]
    area, charge = summary["open_area"]["value"], summary["charge"]["value"]
    if edge is not None:
        deeper = "deeper" if edge > 1.02 else "shallower" if edge < 0.98 else "about as deep"
        yield (
            "Does metal beside the edge of the mask go deeper than metal in the middle? Why?",
            f"Here it is {deeper}: within 0.1 mm of a rim the etch is {edge:.2f} times as deep as "
            "elsewhere. Liquid above the mask brings current to a rim from the side too, which "
            "makes rims deeper; a tall wall of mask, a resisting surface or a film on the metal "
            "even it out.",
        )
    if mean and mean > 0.0:
        need = float(charge_for_depth(metal, mean)) * area
        yield (
            f"{charge:.3g} C passed. How would you work the mean depth out from that?",
            f"Spread over the open area that is {1e-4 * charge / area:.3g} C/cm². By Faraday's law "
            f"{need:.3g} C take {1e6 * mean:.3g} µm off so much {metal.label.lower()}.",
        )
    yield (
        "If the swab were drawn twice as fast but twice as often, what would change?",
        "Little in the mean: depth follows the time each place spends under the swab, and that "
        "stays the same. Marks of the turns and of the lifts may change.",
    )
    if len(results) == 2:
        yield "Which of the two is more even? Decide by eye before you look.", _more_even(results)


def _more_even(results: Sequence[Result]) -> str:
    """Which of two runs is more even, in a sentence."""
    names = ("The first", "The second")
    values = [result.summary["evenness"]["value"] for result in results]
    if None in values:
        return "One of them etched nothing, so there is nothing to compare."
    winner = int(np.argmax(values))
    numbers = " against ".join(f"{values[n]:.3f}" for n in (winner, 1 - winner))
    return f"{names[winner]}: evenness {numbers}."
