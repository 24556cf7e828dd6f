"""The spectral density of vertical acceleration, before and after."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.analysis import stretches
from towertap.compare.drives.model import SIDES, Reading, Side
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.spectra.density import SEGMENT_S, Density, in_fractions_of_octave, over_passes
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.signals.filters import CARRIED
from towertap.signals.spectra import WelchSum
from towertap.wire.layouts import STANDARD_GRAVITY_MS2
from towertap.words.phrases import listed

HIGHEST_HZ = 500.0
"""Highest frequency drawn."""
WINDOW_S = 1.0


@dataclass(frozen=True, eq=False)
class PassSpectrum:
    """Welch density (n,) of a pass's vertical acceleration, (m/s²)²/Hz, and of the sensor's noise by its data sheet."""

    frequency_hz: NDArray[np.float64]
    density: NDArray[np.float64]
    sensor_noise: float


class SpectraSection(Section):
    name = "spectra"
    title = "Spectra"

    def measure(self, reading: Reading) -> PassSpectrum:
        """The density over the windows that are compared."""
        capture, up = reading.capture, reading.analysis.to_vehicle[2]
        welch = WelchSum(capture.rate_hz, SEGMENT_S)
        for piece in stretches(capture, reading.windows, WINDOW_S):
            welch.gap()
            for block in capture.blocks(piece):
                welch.feed((block @ up)[None])
        frequency_hz, density = welch.frequency_hz, welch.densities[0].real
        carried = frequency_hz <= min(CARRIED * capture.rate_hz, HIGHEST_HZ)
        noise = float((capture.layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2) ** 2)
        return PassSpectrum(frequency_hz[carried], density[carried], noise)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Mean, smallest and largest density over the passes of each side, rough roads first."""
        spectra: dict[str, dict[Side, Density]] = {}
        noise = 0.0
        for road in (*study.drives.rough_roads, study.drives.smooth):
            for side in SIDES:
                passes = [
                    measured for drive in study.drives.of(road, side) if (measured := drive.measured.get(self.name))
                ]
                density = over_passes([(spectrum.frequency_hz, spectrum.density) for spectrum in passes])
                if density is not None:
                    spectra.setdefault(road, {})[side] = density
                    noise = passes[0].sensor_noise
        if not spectra:
            return None
        return Evidence(headline=_headline(spectra), drawn=(spectra, noise))

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        from towertap.compare.sections.spectra import figure

        yield Picture(
            "spectra",
            evidence.headline,
            "Density of the vertical acceleration (Welch: Hann, 2 s, half overlap) as means over 1/24 octave. Lines: "
            "mean over passes; shaded: smallest to largest pass.",
            tuple(figure.panels(*evidence.drawn)),
            figure.data(evidence.drawn[0]),
        )


def _headline(spectra: Mapping[str, Mapping[Side, Density]]) -> str:
    """The strongest third of an octave on each road."""
    peaks = []
    for road, sides in spectra.items():
        thirds = [in_fractions_of_octave(density, 3) for density in sides.values()]
        strongest = [int(np.argmax(third.mean * third.frequency_hz)) for third in thirds]
        at_hz = dict.fromkeys(f"{third.frequency_hz[at]:.2g}" for third, at in zip(thirds, strongest, strict=True))
        peaks.append(f"{' before and '.join(at_hz)} Hz{' after' * (len(at_hz) > 1)} on {road}")
    return f"Strongest near {listed(peaks)}."
