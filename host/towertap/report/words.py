"""Numbers, intervals and names as people read them, the same in every figure and on the page."""

from __future__ import annotations

import math


def number(value: float | None, digits: int = 3) -> str:
    """A number to `digits` significant digits, without an exponent in the everyday range; – where there is none."""
    if value is None or not math.isfinite(value):
        return "–" if value is None or math.isnan(value) else "∞"
    if value != 0 and not 1e-4 <= abs(value) < 1e6:
        return f"{value:.{digits - 1}e}".replace("-", "−")
    places = max(0, digits - 1 - (math.floor(math.log10(abs(value))) if value else 0))
    return f"{value:.{places}f}".replace("-", "−")


def interval(limits: tuple[float, float] | None, digits: int = 3) -> str:
    """An interval as "low to high"; – where there is none."""
    return "–" if limits is None else f"{number(limits[0], digits)} to {number(limits[1], digits)}"


def fixed(value: float | tuple[float, float] | None, places: int = 1) -> str:
    """A number or an interval to so many decimal places; – where there is none."""
    if isinstance(value, tuple):
        return f"{fixed(value[0], places)} to {fixed(value[1], places)}"
    return "–" if value is None or not math.isfinite(value) else f"{value:.{places}f}".replace("-", "−")


def p_value(p: float | None) -> str:
    """A p-value as papers print it."""
    return "–" if p is None or math.isnan(p) else "< 0.001" if p < 0.001 else f"{p:.3f}"


def percent(share: float | None) -> str:
    """A share of 0 to 1 in whole percent."""
    return "–" if share is None or math.isnan(share) else f"{share:.0%}".replace("%", " %")


def brief(name: str, width: int = 34) -> str:
    """A name that a user gave, on one line and short enough for a figure."""
    line = "".join(sign for sign in " ".join(name.split()) if sign.isprintable())
    return line if len(line) <= width else line[: width - 1] + "…"


def counted(count: int, noun: str) -> str:
    """A count and its noun: "1 pass", "4 passes"."""
    plural = noun + ("es" if noun.endswith(("s", "x", "ch")) else "s")
    return f"{count} {noun if count == 1 else plural}"
