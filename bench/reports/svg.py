"""Inline SVG, built as elements: what is text is escaped, what is a number is short.

No namespace and no ids: the drawings live inside an HTML page, where neither is needed.
"""

import unicodedata

from markupsafe import Markup, escape

from bench.reports.words import plain

Attribute = str | float | None

_CAMEL = {"view_box": "viewBox", "preserve_aspect_ratio": "preserveAspectRatio"}


def tag(name: str, *children: str, **attributes: Attribute) -> Markup:
    """One element; ``stroke_width`` becomes ``stroke-width``, None is left out, a child that is no Markup is text."""
    written = "".join(
        f' {_CAMEL.get(key, key.rstrip("_").replace("_", "-"))}="{escape(_attribute(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inside = "".join(escape(child if isinstance(child, Markup) else plain(child)) for child in children)
    return Markup(f"<{name}{written}>{inside}</{name}>")  # noqa: S704 - every part is escaped above


def group(*children: str, **attributes: Attribute) -> Markup:
    """A ``g`` element."""
    return tag("g", *children, **attributes)


def drawing(
    title: str, description: str, width: float, height: float, *children: str, **attributes: Attribute
) -> Markup:
    """A whole picture with its name and its content in words, for those who can't see it."""
    return tag(
        "svg",
        tag("title", title),
        tag("desc", description),
        *children,
        role="img",
        view_box=f"0 0 {figure(width)} {figure(height)}",
        **attributes,
    )


def line(x1: float, y1: float, x2: float, y2: float, **attributes: Attribute) -> Markup:
    """A straight line."""
    return tag("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def path(*points: tuple[float, float], **attributes: Attribute) -> Markup:
    """An open polyline."""
    return tag("polyline", points=" ".join(f"{figure(x)},{figure(y)}" for x, y in points), fill="none", **attributes)


def circle(x: float, y: float, radius: float, *children: str, **attributes: Attribute) -> Markup:
    """A circle about (x, y)."""
    return tag("circle", *children, cx=x, cy=y, r=radius, **attributes)


def rect(x: float, y: float, width: float, height: float, **attributes: Attribute) -> Markup:
    """A rectangle by its upper left corner."""
    return tag("rect", x=x, y=y, width=width, height=height, **attributes)


def text(x: float, y: float, *words: str, **attributes: Attribute) -> Markup:
    """Text whose baseline begins (or is anchored) at (x, y)."""
    return tag("text", *words, x=x, y=y, **attributes)


def figure(value: float) -> str:
    """A coordinate to a tenth, without a trailing zero."""
    short = f"{value:.1f}".removesuffix(".0")
    return "0" if short == "-0" else short


def text_width(words: str, size: float) -> float:
    """About how wide ``words`` are in a sans serif of ``size``; for the usual ones."""
    wide = sum(unicodedata.east_asian_width(character) in "WF" for character in words)
    return size * (0.53 * (len(words) - wide) + wide)


def fitted(words: str, size: float, width: float) -> str:
    """``words``, cut with an ellipsis where they are wider than ``width``."""
    words = plain(words)
    if text_width(words, size) <= width:
        return words
    while words and text_width(words + "…", size) > width:
        words = words[:-1]
    return words.rstrip(" ,;") + "…"


def _attribute(value: Attribute) -> str:
    return figure(value) if isinstance(value, int | float) else plain(str(value))
