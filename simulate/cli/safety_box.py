"""The safety box on the terminal: what is past a limit on top, the rest in its place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulate.cli import terminal

if TYPE_CHECKING:
    from simulate.safety.limits import Verdict
    from simulate.safety.precautions import Precautions

Sections = list[tuple[str, list[tuple[str, str]]]]


def on_top(box: Precautions) -> Sections:
    """What is past a limit, to stand above everything else; nothing where nothing is.

    Beside a bound that nobody expects to be reached stands what is expected.
    """
    past = box.of_severity("past")
    beside = {verdict.topic.removesuffix(" bound") for verdict in past}
    told = [verdict for verdict in box.verdicts if verdict in past or verdict.topic in beside]
    lines = [("", verdict.sentence()) for verdict in told]
    return [("PAST A LIMIT - read this first", lines)] if past else []


def in_place(box: Precautions) -> Sections:
    """Verdicts that call for care, and in one line the topics that do not."""
    volume, changes = box.room.volume, box.room.air_changes * 3600.0
    assumed = " (assumed: the case has no [room])" if box.room_assumed else ""
    at_once = f", {box.room.swabs} swabs at once" if box.room.swabs > 1 else ""
    lines = [("room", f"{volume:g} m3, {changes:g} air changes an hour{at_once}{assumed}")]
    lines += [("past a limit", verdict.topic) for verdict in box.of_severity("past")]
    lines += [("watch", verdict.sentence()) for verdict in box.of_severity("watch")]
    fine = ", ".join(_topic(verdict) for verdict in box.of_severity("fine"))
    return [("Safety", [*lines, *([("fine", fine)] if fine else [])])]


def after(box: Precautions) -> Sections:
    """What calls for care after a run, waste above all; the rest stands in its summary."""
    lines = [(verdict.topic, verdict.advice) for verdict in box.of_severity("watch")]
    return [("Take care", [*lines, ("", "All numbers and cautions: `safety` in summary.json.")])]


def _topic(verdict: Verdict) -> str:
    return "chlorine as expected" if verdict.topic == "chlorine" else verdict.topic


def cautions(box: Precautions) -> Sections:
    """What to tell people that no verdict has said already."""
    said = {verdict.advice for verdict in box.verdicts if verdict.severity != "fine"}
    return [("Cautions", [("", text) for text in box.cautions if text not in said])]


def warn(box: Precautions) -> None:
    """Say what is past a limit on stderr, where no report says it."""
    terminal.complain(f"past a limit: {verdict.sentence()}" for verdict in box.of_severity("past"))
