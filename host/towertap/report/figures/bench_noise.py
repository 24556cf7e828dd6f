"""The picture of a sensor at rest: noise density, and Allan deviation with the fitted coefficients."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from towertap.bench import allan
from towertap.bench.density import Tone
from towertap.bench.noise import UG_MS2, Noise
from towertap.compare.sections.spectra.density import Density, in_fractions_of_octave
from towertap.drawing.style import INK, QUIET, SIDES, VERDICTS, WASH, Look, log_ticks, new_figure

AXES = {
    "x": SIDES["before"],
    "y": SIDES["after"],
    "z": Look(VERDICTS["gentler"].colour, "s", (0, (1.5, 1))),
}
FRACTION = 24
LOWEST_HZ = 0.5
MOST_NAMED, APART = 6, 0.1
"""How many of the strongest tones are named, and their least distance in log frequency; the record has all."""

WORDS = {
    "velocity_random_walk": ("velocity random walk", "µg·√s"),
    "bias_instability": ("bias instability", "µg"),
    "acceleration_random_walk": ("acceleration random walk", "µg/√s"),
    "ramp": ("drift", "µg/s"),
}
"""Name in the record → label and unit in the picture."""


def draw(noise: Noise, box: str) -> Figure:
    """Density on top, Allan deviation below; `box` names the box and its settings."""
    figure = new_figure(7.0, width_in=8.6, title=title(noise))
    upper, lower = figure.subplots(2, 1)
    _density(upper, noise)
    upper.set_title(f"noise density at rest, {box}, {noise.seconds:.0f} s")
    _allan(lower, noise)
    return figure


def title(noise: Noise) -> str:
    """The finding: density against the data sheet, and whether the box was at rest."""
    worst = noise.density.value.max()
    words = f"Noise {worst / UG_MS2:.1f} µg/√Hz, {worst / noise.data_sheet:.2f} of the data sheet's"
    return words if noise.at_rest else f"{words} – but the box was not at rest"


def _density(axes: Axes, noise: Noise) -> None:
    in_range = noise.spectrum.frequency_hz >= LOWEST_HZ
    frequency_hz, data_sheet = noise.spectrum.frequency_hz[in_range], noise.data_sheet / UG_MS2
    for (axis, look), power, level in zip(
        AXES.items(), noise.spectrum.density[in_range].T, noise.density.value, strict=True
    ):
        shown = in_fractions_of_octave(Density(frequency_hz, power, power, power, 1), FRACTION)
        label = f"{axis}: {level / UG_MS2:.1f} µg/√Hz"
        density = np.sqrt(shown.mean) / UG_MS2
        axes.plot(shown.frequency_hz, density, color=look.colour, ls=look.line, lw=1.0, label=label)
    axes.axhline(data_sheet, color=QUIET, lw=0.9, ls=":", label="data sheet")
    axes.axvspan(*noise.density.band_hz, color=WASH, lw=0)
    axes.set(xscale="log", yscale="log", xlabel="frequency, Hz", ylabel="density, µg/√Hz")
    axes.set_xlim(LOWEST_HZ, frequency_hz[-1])
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, data_sheet / 10), max(high * 3, data_sheet * 10))
    place: dict[str, Any] = {"transform": axes.get_xaxis_transform(), "ha": "center"}
    middle_hz = np.sqrt(np.prod(noise.density.band_hz))
    axes.text(middle_hz, 0.03, "white band", color=QUIET, fontsize=7.5, **place)
    for tone in _named(noise):
        words = f"{tone.frequency_hz:.4g} Hz"
        axes.text(tone.frequency_hz, 0.97, words, rotation=90, va="top", fontsize=7, color=INK, **place)
    log_ticks(axes, "x")
    log_ticks(axes, "y")
    axes.grid(axis="y")
    axes.legend(loc="lower left", ncols=2)


def _named(noise: Noise) -> list[Tone]:
    """The strongest tones, without those whose names would overlap."""
    named: list[Tone] = []
    for tone in sorted(noise.tones, key=lambda tone: -tone.rms.max()):
        if all(abs(np.log(tone.frequency_hz / other.frequency_hz)) > APART for other in named):
            named.append(tone)
    return named[:MOST_NAMED]


def _allan(axes: Axes, noise: Noise) -> None:
    for (axis, look), curve, coefficients in zip(AXES.items(), noise.curves, noise.coefficients, strict=True):
        colour, label = look.colour, f"{axis}: {_coefficients(coefficients)}"
        axes.fill_between(curve.tau_s, curve.low / UG_MS2, curve.high / UG_MS2, color=colour, alpha=0.15, lw=0)
        axes.plot(curve.tau_s, curve.deviation / UG_MS2, look.marker, color=colour, ms=3.2, label=label)
        fine = np.geomspace(curve.tau_s[0], curve.tau_s[-1], 100)
        axes.plot(fine, allan.modelled(coefficients, fine) / UG_MS2, color=colour, ls=look.line, lw=0.9)
    axes.set(xscale="log", yscale="log", xlabel="averaging time, s", ylabel="Allan deviation, µg")
    log_ticks(axes, "x")
    log_ticks(axes, "y")
    axes.grid(axis="y")
    axes.set_title("Allan deviation with 95 % limits; lines: the fitted kinds of noise")
    axes.legend(loc="upper right")


def _coefficients(coefficients: dict[str, allan.Coefficient]) -> str:
    """The kinds of noise that were seen, in the units of data sheets."""
    seen = [
        f"{WORDS[name][0]} {coefficient.value / UG_MS2:.3g} {WORDS[name][1]}"
        for name, coefficient in coefficients.items()
        if coefficient.seen
    ]
    return ", ".join(seen) or "no kind of noise stands out"
