"""The density of vertical acceleration over frequency, before and after."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.capture.reading import Piece
from towertap.compare.drives.model import SIDES, Reading, Side
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.spectra.density import SEGMENT_S, Density, over_passes
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.signals.filters import CARRIED
from towertap.signals.spectra import WelchSum
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

HIGHEST_HZ = 500.0


@dataclass(frozen=True, eq=False)
class PassSpectrum:
    """Welch density of a pass's vertical acceleration (n,), (m/s²)²/Hz, and the sensor's own by its data sheet."""

    frequency_hz: NDArray[np.float64]
    density: NDArray[np.float64]
    sensor_noise: float


class SpectraSection(Section):
    """Where in frequency there is how much, and where the sensor's own noise lies."""

    name = "spectra"
    title = "How much of each frequency"

    def measure(self, reading: Reading) -> PassSpectrum:
        """Each piece from its first window on, so that the spectra are of what is compared."""
        capture, up, windows = reading.capture, reading.analysis.to_vehicle[2], reading.windows
        welch = WelchSum(capture.rate_hz, SEGMENT_S)
        for number, piece in enumerate(capture.pieces()):
            starts_s = windows["start_s"][windows["piece"] == number]
            if starts_s.empty:
                continue
            skipped = round((starts_s.min() - piece.start_time_s) * capture.rate_hz)
            welch.gap()
            for block in capture.blocks(Piece(piece.first_row + skipped, piece.n_rows - skipped, starts_s.min())):
                welch.feed((block @ up)[None])
        frequency_hz, density = welch.frequency_hz, welch.densities[0].real
        carried = frequency_hz <= CARRIED * capture.rate_hz
        noise = float((capture.layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2) ** 2)
        return PassSpectrum(frequency_hz[carried], density[carried], noise)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Mean, smallest and largest density over the passes of each side, rough roads first."""
        spectra: dict[str, dict[Side, Density]] = {}
        noise = 0.0
        for road in (*study.drives.rough_roads, study.drives.smooth):
            for side in SIDES:
                of_side = [
                    measured for drive in study.drives.of(road, side) if (measured := drive.measured.get(self.name))
                ]
                density = over_passes([(spectrum.frequency_hz, spectrum.density) for spectrum in of_side], HIGHEST_HZ)
                if density is not None:
                    spectra.setdefault(road, {})[side] = density
                    noise = of_side[0].sensor_noise
        if not spectra:
            return None
        return Evidence(
            headline="The density of vertical acceleration over frequency, mean and spread over passes.",
            drawn=(spectra, noise),
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """One panel a road."""
        from towertap.compare.sections.spectra import figure

        yield Picture(
            "spectra",
            figure.draw(*evidence.drawn),
            "Welch density (Hann, 2 s, half overlap) from the first window of each pass on, drawn as means over 1/24 "
            "octave. Lines: mean over passes; shaded: smallest to largest pass. Dotted: the sensor's own noise.",
        )
