"""The small part of style sheets that drawings use: what applies to one element.

Selectors are ``*``, a tag, ``.class``, ``#id``, or a tag with one class or id; anything else, and
every rule that begins with ``@`` but a font's, is refused, because half a style sheet draws another
picture than the whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from simulate.stencil_files.limits import one_line, refuse

INHERITED = {  # property: value at the root of a drawing
    "fill": "black",
    "fill-rule": "nonzero",
    "fill-opacity": "1",
    "stroke": "none",
    "stroke-opacity": "1",
    "stroke-width": "1",
    "stroke-linecap": "butt",
    "stroke-linejoin": "miter",
    "stroke-miterlimit": "4",
    "visibility": "visible",
}
OWN = ("display", "opacity", "transform")
REFUSED = {  # property: what to do instead; harmless when "none"
    "clip-path": "cut the shapes themselves",
    "mask": "cut the shapes themselves",
    "filter": "remove the effect",
    "stroke-dasharray": "convert the stroke to an outline",
    "marker": "convert the line to an outline",
    "marker-start": "convert the line to an outline",
    "marker-mid": "convert the line to an outline",
    "marker-end": "convert the line to an outline",
    "vector-effect": "convert the stroke to an outline",
    "transform-origin": "write the transform in full",
}
KNOWN = {*INHERITED, *OWN, *REFUSED}
MAX_RULES = 2000
MAX_CLASSES = 30
FONT_FACE = re.compile(r"@font-face\s*\{[^{}]*\}", re.IGNORECASE)
SELECTOR = re.compile(r"\*|[\w-]+(?:[.#][\w-]+)?|[.#][\w-]+")

Sheet = dict[str, list[dict[str, str]]]


@dataclass(frozen=True)
class StyleSheet:
    """Rules by selector, each a list of declarations in the order of the text."""

    rules: Sheet

    def matching(self, tag: str, attributes: Mapping[str, str]) -> Iterable[dict[str, str]]:
        """Declarations for an element, the weakest first: ``*``, tag, class, id."""
        classes = attributes.get("class", "").split()[:MAX_CLASSES]
        name = attributes.get("id", "")
        order = ["*", tag, *(f".{c}" for c in classes), *(f"{tag}.{c}" for c in classes)]
        for selector in [*order, f"#{name}", f"{tag}#{name}"]:
            yield from self.rules.get(selector, ())


def read_style(path: Path, texts: Iterable[str]) -> StyleSheet:
    """Read the style sheets of a drawing; what is not understood is refused."""
    rules: Sheet = {}
    count = 0
    for text in texts:
        plain = FONT_FACE.sub(" ", _without_comments(text))
        if "@" in plain or "!" in plain:
            refuse(path, "the style sheet has rules beyond simple ones", "styles on the shapes")
        *rules_text, rest = plain.split("}")
        if rest.strip() or any(rule.count("{") != 1 for rule in rules_text):
            refuse(path, "the style sheet cannot be read", "selector { property: value }")
        for selectors, _, body in (rule.partition("{") for rule in rules_text):
            declared = declarations(body)
            for selector in selectors.split(","):
                if not SELECTOR.fullmatch(selector.strip()):
                    problem = f"the style selector '{one_line(selector, 40)}' is not understood"
                    refuse(path, problem, "a tag, a class or an id")
                rules.setdefault(selector.strip(), []).append(declared)
                count += 1
                if count > MAX_RULES:
                    refuse(path, f"more than {MAX_RULES} style rules", "a simpler drawing")
    return StyleSheet(rules)


def _without_comments(text: str) -> str:
    """The text without comments and the marks that hide it from old readers, in one pass."""
    kept, place = [], 0
    while (start := text.find("/*", place)) >= 0:
        kept.append(text[place:start])
        end = text.find("*/", start + 2)
        place = len(text) if end < 0 else end + 2
    kept.append(text[place:])
    return " ".join(kept).replace("<!--", " ").replace("-->", " ")


def declarations(text: str) -> dict[str, str]:
    """The known properties of "property: value; ..."."""
    pairs = (item.partition(":") for item in text.split(";"))
    named = {name.strip().lower(): value.strip() for name, _, value in pairs}
    return {name: value for name, value in named.items() if name in KNOWN and value}


def resolved(
    path: Path,
    sheet: StyleSheet,
    tag: str,
    attributes: Mapping[str, str],
    inherited: Mapping[str, str],
) -> dict[str, str]:
    """The style of one element: inherited, then its attributes, the sheet, its own style.

    A property of `REFUSED` that is not "none" is refused.
    """
    own: dict[str, str] = {}
    own.update({name: attributes[name].strip() for name in KNOWN & set(attributes)})
    for declared in sheet.matching(tag, attributes):
        own.update(declared)
    inline = declarations(attributes.get("style", ""))
    if "transform" in inline:
        refuse(path, "a transform in a style is not read", "a transform attribute")
    own.update(inline)
    for name, remedy in REFUSED.items():
        if own.get(name, "none").lower() not in ("none", "", "inherit"):
            refuse(path, f"'{name}' on <{tag}> is not understood", remedy)
    kept = {name: value for name, value in own.items() if value.lower() != "inherit"}
    return {**inherited, **kept}
