"""Six-position calibration: offset, scale and cross-axis of an accelerometer from gravity on its six faces.

reading = matrix @ truth + offset, in m/s². The diagonal of the matrix is the scales, the rest the cross-axis terms,
relative to the faces of the box. A least-squares fit, after the tumble tests of IEEE 1293.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.bench.poses import FACES, Pose
from towertap.bench.records import Record
from towertap.errors import AnalysisError, CallError
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

Array = NDArray[np.float64]
CONFIDENCE = 0.95
TAIL = 0.5 + CONFIDENCE / 2
LARGEST_ERROR = 0.2
"""A scale further than this from 1 is a mistake (another range, a moving box)."""
WORST_ANGLE_DEG = 1.0
"""Worse placing is reported: the cross-axis terms are then of little use."""

# WGS 84, NIMA TR8350.2 (third edition, 2000) tables 3.1, 3.3 and 3.4: semi-major axis, flattening, first eccentricity
# squared, normal gravity at the equator, Somigliana's constant, and m = ω² a² b / GM.
SEMI_MAJOR_M = 6378137.0
FLATTENING = 1 / 298.257223563
ECCENTRICITY_SQUARED = 6.69437999014e-3
EQUATOR_MS2 = 9.7803253359
SOMIGLIANA = 1.931852652458e-3
CENTRIFUGAL = 3.449786506840e-3

ANOMALY_MS2 = 5e-4
"""Standard uncertainty of normal gravity: true gravity differs from it by some tens of milligals (1e-5 m/s²)."""

UNKNOWN_PLACE_MS2 = 0.015
"""The same for standard gravity at an unknown place: rectangular from 9.780 to 9.833 m/s², equator to pole."""

HEIGHTS_M = (-500.0, 6000.0)


@dataclass(frozen=True)
class Gravity:
    """Local acceleration of free fall and its standard uncertainty, both in m/s², and their source."""

    value: float
    uncertainty: float
    source: str


STANDARD = Gravity(STANDARD_GRAVITY_MS2, UNKNOWN_PLACE_MS2, "standard gravity (CGPM 1901); place not given")


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity in m/s² at a geodetic latitude and a height above the ellipsoid (or the sea: within 0.3 mm/s²).

    Somigliana's closed formula on the WGS 84 ellipsoid, NIMA TR8350.2 equation 4-1, with the second-order free-air
    change with height, equation 4-3. CallError for a place where there are no roads.
    """
    if not -90 <= latitude_deg <= 90:
        raise CallError(f"a latitude of {latitude_deg:g}° does not exist: give -90 to 90, north positive")
    if not HEIGHTS_M[0] <= height_m <= HEIGHTS_M[1]:
        raise CallError(f"a height of {height_m:g} m is out of range: give {HEIGHTS_M[0]:g} to {HEIGHTS_M[1]:g} m")
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    at_sea_ms2 = EQUATOR_MS2 * (1 + SOMIGLIANA * s2) / math.sqrt(1 - ECCENTRICITY_SQUARED * s2)
    h = height_m / SEMI_MAJOR_M
    return at_sea_ms2 * (1 - 2 * (1 + FLATTENING + CENTRIFUGAL - 2 * FLATTENING * s2) * h + 3 * h**2)


def local_gravity(latitude_deg: float | None, height_m: float | None) -> Gravity:
    """Normal gravity of a place, or the standard value without a latitude; CallError for a height alone."""
    if latitude_deg is None:
        if height_m is not None:
            raise CallError("a height without a latitude does not give gravity: add --latitude")
        return STANDARD
    value = normal_gravity(latitude_deg, height_m or 0.0)
    place = f"{latitude_deg:g}°, {height_m or 0.0:g} m"
    return Gravity(value, ANOMALY_MS2, f"normal gravity at {place} (Somigliana, WGS 84, free-air)")


@dataclass(frozen=True, eq=False)
class Calibration:
    """Result of a six-position calibration.

    `offset_ms2` (3,), `matrix` (3, 3); `expanded_offset_ms2` and `expanded_matrix` are half the 95 % intervals,
    including gravity's contribution to the scale, `expanded_gravity`. `residual_ms2` is the r.m.s. of the residuals,
    `angle_deg` the corresponding scatter of the placing.
    """

    offset_ms2: Array
    matrix: Array
    expanded_offset_ms2: Array
    expanded_matrix: Array
    expanded_gravity: float
    residual_ms2: float
    angle_deg: float
    degrees_of_freedom: int
    gravity: Gravity
    poses: tuple[tuple[str, float], ...]
    """Face and seconds of each."""

    def data(self) -> dict[str, Any]:
        """For JSON: the result of a calibration record."""
        return {
            "offset_ms2": self.offset_ms2,
            "matrix": self.matrix,
            "expanded": {
                "confidence": CONFIDENCE,
                "offset_ms2": self.expanded_offset_ms2,
                "matrix": self.expanded_matrix,
                "gravity_part": self.expanded_gravity,
            },
            "residual_ms2": self.residual_ms2,
            "angle_deg": self.angle_deg,
            "degrees_of_freedom": self.degrees_of_freedom,
            "gravity": asdict(self.gravity),
            "poses": [{"face": face, "seconds": seconds} for face, seconds in self.poses],
        }


def calibrate(poses: Sequence[Pose], gravity: Gravity) -> Calibration:
    """Fit offset and matrix to poses that show every face at least once; AnalysisError names missing faces.

    A small lean changes the reading along gravity only in second order, but those across it in first order. So offset
    and scale of an axis come from the poses along it, cross-axis terms from those across. Disagreement between opposite
    faces shows how well the box was placed.
    """
    _refuse_missing_faces({pose.face for pose in poses})
    g = gravity.value
    faces = np.array([pose.direction for pose in poses])
    means = np.array([pose.mean for pose in poses])
    lengths = np.array([len(pose.windows) for pose in poses])
    noise, noise_freedom = _noise_of_means(poses)

    along = faces != 0
    offset, scale, u_offset, u_scale = np.array(
        [
            _line(faces[along[:, i], i] * g, means[along[:, i], i], noise[i] / np.sqrt(lengths[along[:, i]]))
            for i in range(3)
        ]
    ).T
    matrix = np.diag(scale)
    across = (means - offset) * ~along
    counts = np.abs(faces).sum(axis=0)
    cross = across.T @ faces / (g * counts) * (1 - np.eye(3))
    matrix += cross
    residual = across - faces @ cross.T * g
    freedom = residual[~along].size - residual.shape[1] * 2
    from_offset = float(((~along).sum(axis=0) * u_offset**2).sum())  # its error is common to all rows
    noise_of_mean = float(np.mean(noise**2) / lengths.mean())
    lean = max((float((residual**2).sum()) - from_offset) / freedom - noise_of_mean, 0.0) / g**2

    # `lean` is the mean squared angle of the box in each direction. It shortens the reading along gravity by this part
    # (second order), and enters it through the cross-axis terms in first order.
    matrix[np.diag_indices(3)] *= 1 + lean
    leaning = (cross**2).sum(axis=1) * lean + lean**2
    half_offset = _expanded(u_offset, noise_freedom, g * np.sqrt(leaning / counts), freedom)
    half_scale = _expanded(u_scale, noise_freedom, np.sqrt(leaning / counts + 2 * lean**2 / freedom), freedom)
    half_cross = _expanded(np.sqrt(noise_of_mean / counts) / g, noise_freedom, np.sqrt(lean / counts), freedom)
    half_gravity = float(scipy.stats.norm.ppf(TAIL) * gravity.uncertainty / g)
    half_matrix = np.tile(half_cross, (3, 1))
    np.fill_diagonal(half_matrix, np.hypot(half_scale, half_gravity * scale))
    if np.abs(matrix - np.eye(3)).max() > LARGEST_ERROR:
        raise AnalysisError("the readings do not look like gravity on six faces: check range and repeat the positions")
    return Calibration(
        offset,
        matrix,
        half_offset,
        half_matrix,
        half_gravity,
        float(np.sqrt((residual**2).sum() / residual[~along].size)),
        float(np.rad2deg(np.sqrt(lean))),
        freedom,
        gravity,
        tuple((pose.face, pose.seconds) for pose in poses),
    )


def correction(record: Record) -> tuple[Array, Array]:
    """Offset (3,) in m/s² and matrix (3, 3) that correct a reading in chip axes: truth = matrix @ (reading − offset).

    AnalysisError if the record's matrix cannot be a sensor's.
    """
    matrix = np.array(record.result["matrix"], float)
    if np.abs(matrix - np.eye(3)).max() > LARGEST_ERROR:
        raise AnalysisError(
            f"the calibration record of {record.source} cannot be right: make it again with 'towertap bench tumble'"
        )
    return np.array(record.result["offset_ms2"], float), np.linalg.inv(matrix)


def scale_uncertainty(record: Record, rotation: Array) -> Array:
    """Half the relative 95 % interval of the scale along each vehicle axis (3,); vehicle = rotation @ chip.

    For absolute values only: it cancels in a ratio of two values of the same box.
    """
    chip_scale = np.diag(np.array(record.result["expanded"]["matrix"]))
    vehicle_scale: Array = np.sqrt(np.asarray(rotation) ** 2 @ chip_scale**2)
    return vehicle_scale


def _refuse_missing_faces(seen: set[str]) -> None:
    missing = [face for face in FACES if face not in seen]
    if missing:
        words = ", ".join(face for face in FACES if face in seen) or "none"
        raise AnalysisError(
            f"faces seen up: {words}; missing: {', '.join(missing)}. Offset and scale of an axis can only be separated "
            f"with both of its faces: lay the box still on each for some seconds more"
        )


def _noise_of_means(poses: Sequence[Pose]) -> tuple[Array, int]:
    """Standard deviation (3,) of a window's mean about its pose, and its degrees of freedom."""
    squares = sum(((pose.windows - pose.mean) ** 2).sum(axis=0) for pose in poses)
    freedom = sum(len(pose.windows) - 1 for pose in poses)
    return np.sqrt(squares / freedom), freedom


def _line(x: Array, y: Array, u: Array) -> tuple[float, float, float, float]:
    """Intercept and slope of y over x, points weighted by their standard uncertainty `u`, and both uncertainties."""
    (slope, intercept), covariance = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    return intercept, slope, *np.sqrt(np.diag(covariance))[::-1]


def _expanded(u_noise: Array, noise_freedom: int, u_placing: Array, placing_freedom: int) -> Array:
    """Half the interval at CONFIDENCE for the sum of two effects, by the Welch–Satterthwaite formula (GUM, G.4)."""
    freedom = (u_noise**2 + u_placing**2) ** 2 / (u_noise**4 / noise_freedom + u_placing**4 / placing_freedom)
    half: Array = scipy.stats.t.ppf(TAIL, freedom) * np.hypot(u_noise, u_placing)
    return half
