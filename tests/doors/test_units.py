"""Quantities with units; the factors are from NIST SP 811 (2008), tables B.8 and B.9."""

import pytest
from towertap.doors.units import pressures_kpa, speed_kmh, temperature_c
from towertap.errors import CallError


@pytest.mark.parametrize(
    ("text", "kmh"),
    [("40", 40.0), ("40 km/h", 40.0), ("25 mph", 40.2), ("25mph", 40.2), ("10 m/s", 36.0), ("12,5", 12.5)],
)
def test_speeds(text, kmh):
    assert speed_kmh(text) == kmh


@pytest.mark.parametrize(
    ("text", "kpa"),
    [
        ("250, 250, 300, 300", "250, 250, 300, 300"),
        ("250 250, 300 300 kPa", "250, 250, 300, 300"),
        ("2.5, 2.5, 3, 3 bar", "250, 250, 300, 300"),
        ("36 psi", "248, 248, 248, 248"),
        ("36 36 42 42 PSI", "248, 248, 290, 290"),
    ],
)
def test_pressures(text, kpa):
    assert pressures_kpa(text) == kpa


@pytest.mark.parametrize(("text", "c"), [("12", 12.0), ("-3.5 °C", -3.5), ("54 °F", 12.2), ("54F", 12.2)])
def test_temperatures(text, c):
    assert temperature_c(text) == c


@pytest.mark.parametrize(
    ("read", "text", "message"),
    [
        (speed_kmh, "fast", "is not a speed"),
        (speed_kmh, "40 knots", "not a unit of speed"),
        (pressures_kpa, "36", "give the unit"),
        (pressures_kpa, "2.5 2.5", "one tyre pressure or four"),
        (pressures_kpa, "3000 psi", "between 50 and 1200"),
        (temperature_c, "warm", "is not a temperature"),
        (temperature_c, "12 K", "not a unit of temperature"),
    ],
)
def test_anything_else_is_refused_with_an_example_or_the_units(read, text, message):
    with pytest.raises(CallError, match=message):
        read(text)
