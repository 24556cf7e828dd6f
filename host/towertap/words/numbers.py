"""Numbers, intervals and names for people to read, the same in pictures, pages and the terminal."""

import math

MOST_DIGITS = 6
"""Most significant digits of an interval's end, however close to 1."""
MANY_TIMES = 3.0
"""From this ratio on, a growth is given as a multiple instead of percent."""
LEAST_P = 0.001
"""Smallest p printed."""
TURNING_P = 0.05
"""A p close to this gets enough digits to show which side it is on."""
MOST_PLACES = 3
"""Most decimal places of a change in percent."""


def number(value: float | None, digits: int = 3) -> str:
    """A number to `digits` significant digits, without an exponent from 1e-4 to 1e6; "–" for None and NaN."""
    if value is None or not math.isfinite(value):
        return "–" if value is None or math.isnan(value) else "∞"
    if value != 0 and not 1e-4 <= abs(value) < 1e6:
        return f"{value:.{digits - 1}e}".replace("-", "−")
    places = max(0, digits - 1 - int(f"{value:.{digits - 1}e}".split("e")[1]))
    return f"{value:.{places}f}".replace("-", "−")


def interval(limits: tuple[float, float] | None, digits: int = 3) -> str:
    """An interval as "low to high", "–" for None. An end close to 1 gets enough digits to differ from 1."""
    if limits is None:
        return "–"
    while digits < MOST_DIGITS and any(end != 1 and float(f"{end:.{digits - 1}e}") == 1 for end in limits):
        digits += 1
    return f"{number(limits[0], digits)} to {number(limits[1], digits)}"


def fixed(value: float | tuple[float, float] | None, places: int = 1) -> str:
    """A number or an interval to `places` decimal places; "–" if missing or not finite."""
    if isinstance(value, tuple):
        return f"{fixed(value[0], places)} to {fixed(value[1], places)}"
    return "–" if value is None or not math.isfinite(value) else f"{value:.{places}f}".replace("-", "−")


def signed(value: float, places: int = 1) -> str:
    """A number to `places` decimal places with its sign, including plus; zero has no sign."""
    return f"{value:+.{places}f}".replace("-", "−").replace("inf", "∞") if round(value, places) else f"{0:.{places}f}"


def p_value(p: float | None, least: float = LEAST_P) -> str:
    """A p-value to two significant digits, more if needed to tell it from 0.05; "< least" if smaller than `least`."""
    if p is None or math.isnan(p):
        return "–"
    digits = 2
    while (float(f"{p:.{digits}g}") < TURNING_P) != (p < TURNING_P):
        digits += 1
    return f"< {least:g}" if p <= least else f"{p:#.{digits}g}"


def change_percent(ratio: float, interval: tuple[float, float] | None = None) -> str:
    """A ratio as a change, "+29 %". If there is an interval, its width sets the digits."""
    places = _places(interval[1] - interval[0], 2) if interval else 0 if abs(ratio - 1) >= 0.0995 else 1
    return f"{_as_change(ratio, places)} %"


def growth(ratio: float, interval: tuple[float, float] | None = None) -> str:
    """A ratio as a change in percent, from 3 on as a multiple: "+30 %", "4.6 times as much"."""
    return f"{number(ratio, 2)} times as much" if ratio >= MANY_TIMES else change_percent(ratio, interval)


def growth_range(low: float, high: float) -> str:
    """A range of growths, the unit given once: "+3 to +161 %", "4.3 to 4.8 times as much"."""
    if high < MANY_TIMES:
        return range_percent((low, high))
    return f"{number(low, 2)} to {growth(high)}" if low >= MANY_TIMES else f"{growth(low)} to {growth(high)}"


def range_percent(interval: tuple[float, float] | None) -> str:
    """An interval of ratios as changes, "+27 to +31 %", "–" for None. Its ends differ in print, also from 0."""
    if interval is None:
        return "–"
    width = _places(interval[1] - interval[0], 2)
    low, high = (_as_change(end, max(width, _places(end - 1, 0.5))) for end in interval)
    return f"{low} to {high} %"


def _as_change(ratio: float, places: int) -> str:
    if not math.isfinite(ratio):
        return "+∞"
    percent = round(100 * (ratio - 1), places)
    return f"{percent:+.{places}f}".replace("-", "−") if percent else "0"


def _places(difference: float, units: float) -> int:
    """Decimal places of percent that make a `difference` at least `units` of the last place."""
    if difference == 0 or not math.isfinite(difference):
        return 0
    return min(MOST_PLACES, max(0, math.ceil(-math.log10(100 * abs(difference) / units))))


def percent(share: float | None) -> str:
    """A share from 0 to 1 in percent without decimals; "–" for None and NaN."""
    return "–" if share is None or math.isnan(share) else f"{share:.0%}".replace("%", " %")


def brief(name: str, width: int = 34) -> str:
    """A name from the user on one line, short enough for a picture."""
    line = "".join(sign for sign in " ".join(name.split()) if sign.isprintable())
    return line if len(line) <= width else line[: width - 1] + "…"


def along(reference: str | None) -> str:
    """Label of an axis along a road; `reference` is the pass that the others are aligned to."""
    return f"time along the road in pass {brief(reference or '', 50)}, s"
