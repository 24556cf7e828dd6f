"""Numbers, intervals and names as people read them, the same in every figure and on the page."""

import math

MOST_DIGITS = 6
"""An interval's end is written with no more digits than these, however near to 1."""
MANY_TIMES = 3.0
"""So much is no longer said in percent."""
LEAST_P = 0.001
"""No smaller p is printed."""
TURNING_P = 0.05
"""A p is printed with the digits that tell on which side of it lies."""
MOST_PLACES = 3
"""A change in percent has no more decimal places."""


def number(value: float | None, digits: int = 3) -> str:
    """A number to `digits` significant digits, without an exponent in the everyday range; – where there is none."""
    if value is None or not math.isfinite(value):
        return "–" if value is None or math.isnan(value) else "∞"
    if value != 0 and not 1e-4 <= abs(value) < 1e6:
        return f"{value:.{digits - 1}e}".replace("-", "−")
    places = max(0, digits - 1 - int(f"{value:.{digits - 1}e}".split("e")[1]))
    return f"{value:.{places}f}".replace("-", "−")


def interval(limits: tuple[float, float] | None, digits: int = 3) -> str:
    """An interval as "low to high"; – where there is none. An end by 1 has the digits that tell it from 1."""
    if limits is None:
        return "–"
    while digits < MOST_DIGITS and any(end != 1 and float(f"{end:.{digits - 1}e}") == 1 for end in limits):
        digits += 1
    return f"{number(limits[0], digits)} to {number(limits[1], digits)}"


def fixed(value: float | tuple[float, float] | None, places: int = 1) -> str:
    """A number or an interval to so many decimal places; – where there is none."""
    if isinstance(value, tuple):
        return f"{fixed(value[0], places)} to {fixed(value[1], places)}"
    return "–" if value is None or not math.isfinite(value) else f"{value:.{places}f}".replace("-", "−")


def signed(value: float, places: int = 1) -> str:
    """A number to so many decimal places with its sign, a plus too; nought has none."""
    return f"{value:+.{places}f}".replace("-", "−").replace("inf", "∞") if round(value, places) else f"{0:.{places}f}"


def p_value(p: float | None, least: float = LEAST_P) -> str:
    """A p-value to two significant digits, or more where those do not tell it from 0.05; no smaller than `least`."""
    if p is None or math.isnan(p):
        return "–"
    digits = 2
    while (float(f"{p:.{digits}g}") < TURNING_P) != (p < TURNING_P):
        digits += 1
    return f"< {least:g}" if p <= least else f"{p:#.{digits}g}"


def change_percent(ratio: float, interval: tuple[float, float] | None = None) -> str:
    """A ratio as a change, "+29 %"; with no more digits than its interval has, where there is one."""
    places = _places(interval[1] - interval[0], 2) if interval else 0 if abs(ratio - 1) >= 0.0995 else 1
    return f"{_signed(ratio, places)} %"


def growth(ratio: float, interval: tuple[float, float] | None = None) -> str:
    """A ratio as a change in percent, or from 3 on as so many times: "+30 %", "4.6 times as much"."""
    return f"{number(ratio, 2)} times as much" if ratio >= MANY_TIMES else change_percent(ratio, interval)


def growth_range(low: float, high: float) -> str:
    """From one growth to another, what both are once: "+3 to +161 %", "4.3 to 4.8 times as much"."""
    if high < MANY_TIMES:
        return range_percent((low, high))
    return f"{number(low, 2)} to {growth(high)}" if low >= MANY_TIMES else f"{growth(low)} to {growth(high)}"


def range_percent(interval: tuple[float, float] | None) -> str:
    """An interval of ratios as changes, "+27 to +31 %"; – where there is none. Its ends are told apart, and from 0."""
    if interval is None:
        return "–"
    width = _places(interval[1] - interval[0], 2)
    low, high = (_signed(end, max(width, _places(end - 1, 0.5))) for end in interval)
    return f"{low} to {high} %"


def _signed(ratio: float, places: int) -> str:
    if not math.isfinite(ratio):
        return "+∞"
    percent = round(100 * (ratio - 1), places)
    return f"{percent:+.{places}f}".replace("-", "−") if percent else "0"


def _places(apart: float, units: float) -> int:
    """Decimal places of percent by which two ratios so far apart differ by so many units of the last place or more."""
    if apart == 0 or not math.isfinite(apart):
        return 0
    return min(MOST_PLACES, max(0, math.ceil(-math.log10(100 * abs(apart) / units))))


def percent(share: float | None) -> str:
    """A share of 0 to 1 in whole percent."""
    return "–" if share is None or math.isnan(share) else f"{share:.0%}".replace("%", " %")


def brief(name: str, width: int = 34) -> str:
    """A name that a user gave, on one line and short enough for a figure."""
    line = "".join(sign for sign in " ".join(name.split()) if sign.isprintable())
    return line if len(line) <= width else line[: width - 1] + "…"


def along(reference: str | None) -> str:
    """What an axis along a road counts, `reference` being the pass that the others are aligned to."""
    return f"time along the road in pass {brief(reference or '', 50)}, s"
