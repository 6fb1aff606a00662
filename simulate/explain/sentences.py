"""The findings as sentences and tables: plain words with numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import exp

from simulate.explain.attribution import Attribution
from simulate.explain.counterfactual import CAUSES
from simulate.explain.sensitivity import Change
from simulate.units import format_number

SLIGHT = 0.005
"""A log ratio below this is not worth a word [-]."""


def cause_sentence(cause: str, attributions: Sequence[Attribution]) -> str:
    """What one cause does, in one sentence."""
    known = CAUSES[cause]
    phrases = list(_phrases(cause, attributions))
    evenness = next(one for one in attributions if one.name == "evenness")
    subject = known.label[0].upper() + known.label[1:]
    changed = abs(evenness.without[cause] - evenness.observed) >= SLIGHT
    if not phrases and not changed:
        return f"{subject}: hardly anything, under half a percent on every measure."
    acts = f"makes {_joined(phrases)}" if phrases else "leaves the ratios alone"
    ending = (
        f"with {known.against}, evenness would be {format_number(evenness.without[cause])} "
        f"instead of {format_number(evenness.observed)}"
        if changed
        else f"with {known.against}, evenness would stay {format_number(evenness.observed)}"
    )
    return f"{subject}: {acts}; {ending}."


def leading_sentence(attributions: Sequence[Attribution]) -> str:
    """Which cause, taken away by itself, would make the etch most even."""
    evenness = next(one for one in attributions if one.name == "evenness")
    best = max(evenness.without, key=evenness.without.__getitem__)
    if evenness.without[best] < evenness.observed + SLIGHT:
        return "No cause taken away by itself would make the etch more even."
    known = CAUSES[best]
    return (
        f"Taken away by itself, the {known.label} would help most: with {known.against}, evenness "
        f"would be {format_number(evenness.without[best])} instead of "
        f"{format_number(evenness.observed)}."
    )


def _phrases(cause: str, attributions: Sequence[Attribution]) -> Iterator[str]:
    """What a cause does to each ratio, where it is worth a word."""
    subjects = {
        "edge_ratio": ("rims", "the rest"),
        "narrow_to_wide": ("narrow parts", "wide ones"),
        "spots": ("A", "B"),
    }
    for one in attributions:
        share = one.shares[cause]
        if one.name in subjects and abs(share) >= SLIGHT:
            left, right = subjects[one.name]
            part = format_number(abs(exp(share) - 1.0) * 100.0, 2)
            yield f"{left} {part} % {'deeper' if share > 0 else 'shallower'} against {right}"


def _joined(phrases: Sequence[str]) -> str:
    if len(phrases) < 3:
        return " and ".join(phrases)
    return ", ".join(phrases[:-1]) + " and " + phrases[-1]


def change_sentence(change: Change, attributions: Sequence[Attribution]) -> str:
    """What one change would help and cost, in one sentence."""
    part = format_number(abs(change.factor - 1.0) * 100.0, 2)
    way = "more" if change.factor > 1.0 else "less"
    ends = [
        f"{one.label} {format_number(one.observed)} to {format_number(one.after(change.effects))}"
        for one in attributions
        if one.name in change.effects and abs(change.effects[one.name]) >= 1e-4
    ]
    effect = ", ".join(ends) or "no measure would change"
    cost = abs(change.time - 1.0) * 100.0
    time = (
        "in the same time"
        if cost < 1.0
        else f"in {format_number(cost, 2)} % {'more' if change.time > 1.0 else 'less'} time"
    )
    return f"{part} % {way} {change.label}: {effect}, {time} to the same mean depth."


def share_table(attributions: Sequence[Attribution]) -> list[tuple[str, Mapping[str, str]]]:
    """Rows of the table of shares: cause, and its factor in each measure's ratio."""
    rows: list[tuple[str, Mapping[str, str]]] = []
    for cause, known in CAUSES.items():
        rows.append((known.label, {one.name: factor(one.shares[cause]) for one in attributions}))
    rows.append(("together", {one.name: factor(one.log_ratio) for one in attributions}))
    return rows


def factor(log_ratio: float) -> str:
    """A log ratio as a factor with three decimals, such as x 1.043."""
    return f"x {exp(log_ratio):.3f}"
