"""A sensor's noise, measured from a recording at rest."""

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.bench import allan, density, floors, rest
from towertap.bench.density import Tone
from towertap.bench.records import subject_of
from towertap.capture.reading import Capture
from towertap.capture.sweep import sweep
from towertap.errors import AnalysisError
from towertap.signals.channels import MetricSettings
from towertap.signals.metrics import METRICS
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

Array = NDArray[np.float64]

UG_MS2 = STANDARD_GRAVITY_MS2 * 1e-6
"""A millionth of g, the unit of data sheets, in m/s²."""

LOWEST_HZ = 10.0
HIGHEST_PART = 0.25
"""The white band goes from LOWEST_HZ to this part of the anti-alias filter's bandwidth. The filter's second-order
response is flat there within 0.2 % of amplitude."""

ANTI_ALIAS_PART = 0.25
"""Assumed bandwidth of the anti-alias filter if the box does not give it, as a part of the rate."""

SLOW_HZ = (1.0, 10.0)
LONGEST_S = 600.0
"""Ten minutes give the floors within a percent."""
BLOCK_ROWS = 65536
MEANS_HZ = 100.0
"""The Allan deviation uses means over 10 ms: exact for longer averaging, and an hour stays small."""

DEAD_STEPS = 0.01
"""An axis with less noise than this, in counts, hardly ever changes."""

STEP_RMS = 12**-0.5
"""R.m.s. error of rounding to steps of 1."""


@dataclass(frozen=True, eq=False)
class Noise:
    """Noise of a sensor at rest; arrays (3,) are by chip axis, accelerations in m/s²."""

    seconds: float
    rate_hz: float
    spectrum: density.Spectrum
    density: density.NoiseDensity
    data_sheet: float
    """The data sheet's density, m/s²/√Hz."""
    broadband_rms: Array
    tones: list[Tone]
    step: float
    curves: list[allan.AllanCurve]
    coefficients: list[dict[str, allan.Coefficient]]
    floors: dict[str, Array]
    settings: MetricSettings
    checks: list[rest.RestCheck]

    @property
    def at_rest(self) -> bool:
        """Whether the recording shows only the sensor."""
        return all(check.ok for check in self.checks)

    @property
    def quantisation_share(self) -> Array:
        """Share of the noise power in the white band that is rounding to counts, (3,)."""
        return (self.step * STEP_RMS) ** 2 / (self.rate_hz / 2) / self.density.value**2

    def data(self) -> dict[str, Any]:
        """For JSON: the result of a bench record."""
        return {
            "seconds": self.seconds,
            "at_rest": self.at_rest,
            "rules": [asdict(check) for check in self.checks],
            "density": {
                "unit": "m/s²/√Hz",
                "value": self.density.value,
                "low": self.density.low,
                "high": self.density.high,
                "confidence": density.CONFIDENCE,
                "degrees_of_freedom": self.density.freedom,
                "band_hz": self.density.band_hz,
                "data_sheet": self.data_sheet,
            },
            "broadband_rms_ms2": self.broadband_rms,
            "tones": [{"frequency_hz": t.frequency_hz, "rms_ms2": t.rms, "name": t.name} for t in self.tones],
            "quantisation": {
                "step_ms2": self.step,
                "rms_ms2": self.step * STEP_RMS,
                "share_of_density_power": self.quantisation_share,
            },
            "allan": [
                {
                    "axis": axis,
                    "tau_s": curve.tau_s,
                    "deviation_ms2": curve.deviation,
                    "low_ms2": curve.low,
                    "high_ms2": curve.high,
                    "coefficients": {name: asdict(coefficient) for name, coefficient in coefficients.items()},
                }
                for axis, curve, coefficients in zip("xyz", self.curves, self.coefficients, strict=True)
            ],
            "jerk_edge_hz": self.settings.jerk_edge_hz,
            "floors": {
                name: {"unit": METRICS[name].unit, "band_hz": METRICS[name].band_hz(self.settings), "rms": value}
                for name, value in self.floors.items()
            },
        }


def measure(capture: Capture) -> Noise:
    """Measure the longest piece of a recording at rest, in bounded memory.

    AnalysisError if it is shorter than some 12 s, or if an axis is dead.
    """
    piece = max(capture.pieces(), key=lambda piece: piece.n_rows)
    rate_hz, settings = capture.rate_hz, MetricSettings(capture.rate_hz)
    spectrum = density.spectrum(capture.blocks(piece, BLOCK_ROWS), rate_hz)
    broadband_rms = np.sqrt(spectrum.density[1:].sum(axis=0) * spectrum.line_hz)
    if dead := [axis for axis, rms in zip("xyz", broadband_rms, strict=True) if rms < DEAD_STEPS * capture.scale_ms2]:
        raise AnalysisError(f"{capture.path}: axis {', '.join(dead)} never changes: the sensor is faulty")
    tones, spoilt = density.find_tones(spectrum, 0.4 * rate_hz)
    anti_alias_hz = subject_of(capture).anti_alias_hz or ANTI_ALIAS_PART * rate_hz
    white = density.white_density(spectrum, (LOWEST_HZ, HIGHEST_PART * anti_alias_hz), spoilt)
    slow = (spectrum.frequency_hz >= SLOW_HZ[0]) & (spectrum.frequency_hz < SLOW_HZ[1]) & ~spoilt
    sway = np.sqrt(spectrum.density[slow].mean(axis=0)) / white.value
    factor = round(rate_hz / MEANS_HZ)
    means = np.concatenate(
        [
            block[: len(block) // factor * factor].reshape(-1, factor, 3).mean(axis=1)
            for block in capture.blocks(piece, BLOCK_ROWS // factor * factor)
        ]
    )
    curves, coefficients = zip(*(allan.analyse(series, factor / rate_hz) for series in means.T), strict=True)
    first_part = replace(piece, n_rows=min(piece.n_rows, round(LONGEST_S * rate_hz)))
    settled = floors.recorded(capture.blocks(first_part, BLOCK_ROWS), settings)
    data_sheet = capture.layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2
    rounding = capture.scale_ms2 * STEP_RMS / (rate_hz / 2) ** 0.5
    above_data_sheet = float(white.value.max() / np.hypot(data_sheet, rounding))
    loudest = _tones_share(tones, settled, settings)
    return Noise(
        seconds=piece.n_rows / rate_hz,
        rate_hz=rate_hz,
        spectrum=spectrum,
        density=white,
        data_sheet=data_sheet,
        broadband_rms=broadband_rms,
        tones=tones,
        step=capture.scale_ms2,
        curves=list(curves),
        coefficients=list(coefficients),
        floors=settled,
        settings=settings,
        checks=rest.judge(sweep(capture), capture.scale_ms2, capture.scale_rads, sway, loudest, above_data_sheet),
    )


def _tones_share(tones: list[Tone], levels: dict[str, Array], settings: MetricSettings) -> float:
    """The largest share of tones in the power of any floor of `levels` on any axis."""
    shares = [
        sum((tone.rms * floors.tone_gain(floors.DESIGNS[name], settings, tone.frequency_hz)) ** 2 for tone in tones)
        / level**2
        for name, level in levels.items()
    ]
    return float(np.max(shares, initial=0.0))
