"""Local gravity, by latitude and height or by the standard value, with what is not known of it."""

import math
from dataclasses import dataclass

from towertap.errors import CallError
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

# WGS 84, NIMA TR8350.2 (third edition, 2000) tables 3.1, 3.3 and 3.4: semi-major axis, flattening, first eccentricity
# squared, normal gravity at the equator, Somigliana's constant, and m = ω² a² b / GM.
SEMI_MAJOR_M = 6378137.0
FLATTENING = 1 / 298.257223563
ECCENTRICITY_SQUARED = 6.69437999014e-3
EQUATOR_MS2 = 9.7803253359
SOMIGLIANA = 1.931852652458e-3
CENTRIFUGAL = 3.449786506840e-3

ANOMALY_MS2 = 5e-4
"""Standard uncertainty of normal gravity at a place: true gravity strays by some tens of milligals (1e-5 m/s²)."""

UNKNOWN_PLACE_MS2 = 0.015
"""The same of the standard value anywhere: a rectangle from 9.780 to 9.833 m/s², equator to pole."""

HEIGHTS_M = (-500.0, 6000.0)


@dataclass(frozen=True)
class Gravity:
    """The local acceleration of free fall, its standard uncertainty (both m/s²), and where it comes from."""

    value: float
    uncertainty: float
    source: str


STANDARD = Gravity(STANDARD_GRAVITY_MS2, UNKNOWN_PLACE_MS2, "standard gravity (CGPM 1901); place not given")


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity in m/s² at a geodetic latitude and a height above the ellipsoid (or the sea: within 0.3 mm/s²).

    Somigliana's closed formula on the WGS 84 ellipsoid, NIMA TR8350.2 equation 4-1, and its second-order free-air
    change with height, equation 4-3. Raises CallError for a place that is not on the earth's roads.
    """
    if not -90 <= latitude_deg <= 90:
        raise CallError(f"a latitude of {latitude_deg:g}° does not exist: give -90 to 90, north positive")
    if not HEIGHTS_M[0] <= height_m <= HEIGHTS_M[1]:
        raise CallError(f"a height of {height_m:g} m is out of range: give {HEIGHTS_M[0]:g} to {HEIGHTS_M[1]:g} m")
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = EQUATOR_MS2 * (1 + SOMIGLIANA * s2) / math.sqrt(1 - ECCENTRICITY_SQUARED * s2)
    h = height_m / SEMI_MAJOR_M
    return at_sea * (1 - 2 * (1 + FLATTENING + CENTRIFUGAL - 2 * FLATTENING * s2) * h + 3 * h**2)


def local_gravity(latitude_deg: float | None, height_m: float | None) -> Gravity:
    """Normal gravity of a place, or the standard value when no latitude is given; a height alone is a CallError."""
    if latitude_deg is None:
        if height_m is not None:
            raise CallError("a height without a latitude does not give gravity: add --latitude")
        return STANDARD
    value = normal_gravity(latitude_deg, height_m or 0.0)
    place = f"{latitude_deg:g}°, {height_m or 0.0:g} m"
    return Gravity(value, ANOMALY_MS2, f"normal gravity at {place} (Somigliana, WGS 84, free-air)")
