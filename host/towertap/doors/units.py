"""Parses quantities as people type them, with units: 40 km/h, 25 mph, 2.5 bar, 36 psi, 54 °F."""

import math
import re

from towertap.errors import CallError

SPEEDS_KMH = {"km/h": 1.0, "kmh": 1.0, "mph": 1.609344, "m/s": 3.6}
"""Unit → km/h. The international mile of 1959 is exact."""
PRESSURES_KPA = {"kpa": 1.0, "bar": 100.0, "psi": 6.894757}
"""Unit → kPa; psi from NIST SP 811 (2008), table B.9."""
TYRES_KPA = (50.0, 1200.0)
"""A tyre pressure outside these is in another unit, or a slip."""
NUMBER = r"[-+]?\d+(?:[.,]\d+)?"


def speed_kmh(text: str) -> float:
    """A speed in km/h, which is also the unit of a bare number."""
    value, unit = _value_and_unit(text, "a speed, such as '40 km/h' or '25 mph'")
    if unit and unit not in SPEEDS_KMH:
        raise CallError(f"'{text}': {unit} is not a unit of speed; use {', '.join(SPEEDS_KMH)}")
    return round(value * SPEEDS_KMH[unit or "km/h"], 1)


def temperature_c(text: str) -> float:
    """A temperature in °C, which is also the unit of a bare number."""
    value, unit = _value_and_unit(text, "a temperature, such as '12 °C' or '54 °F'")
    if unit not in ("", "c", "°c", "f", "°f"):
        raise CallError(f"'{text}': {unit} is not a unit of temperature; use °C or °F")
    return round((value - 32) / 1.8, 1) if unit.endswith("f") else value


def pressures_kpa(text: str) -> str:
    """Tyre pressures in kPa, "250, 250, 300, 300": front left, front right, rear left, rear right; or one for all.

    Bare numbers are kPa if they are plausible as such.
    """
    match = re.fullmatch(r"\s*((?:\d+(?:\.\d+)?[\s,;]*)+)(kpa|bar|psi)?\s*", text, re.IGNORECASE)
    values = [float(word) for word in re.findall(r"\d+(?:\.\d+)?", match[1])] if match else []
    if match is None or len(values) not in (1, 4):
        raise CallError(f"'{text}' is not one tyre pressure or four: write them like 250, 250, 300, 300 kPa or 36 psi")
    in_kpa = [value * PRESSURES_KPA[(match[2] or "kPa").lower()] for value in values]
    low, high = TYRES_KPA
    if not all(low <= value <= high for value in in_kpa):
        unit = "; give the unit, such as 2.5 bar or 36 psi" if not match[2] else ""
        raise CallError(f"'{text}': tyre pressures are between {low:g} and {high:g} kPa{unit}")
    return ", ".join(f"{value:.0f}" for value in in_kpa * (4 // len(in_kpa)))


def _value_and_unit(text: str, wanted: str) -> tuple[float, str]:
    match = re.fullmatch(rf"\s*({NUMBER})\s*([a-z°/]*)\s*", text, re.IGNORECASE)
    if match is None:
        raise CallError(f"'{text}' is not {wanted}")
    value = float(match[1].replace(",", "."))
    if not math.isfinite(value):
        raise CallError(f"'{text[:20]}…' is not {wanted}")
    return value, match[2].lower()
