"""Figure: a sensor at rest, as noise density and as Allan deviation with what was read off it."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from towertap.bench import allan
from towertap.bench.noise import UG_MS2, Noise
from towertap.bench.tones import Tone
from towertap.drawing.style import INK, QUIET, Look, log_ticks, new_figure
from towertap.report.density import Density, in_fractions_of_octave

AXES = {
    "x": Look("#0072b2", "o"),
    "y": Look("#d55e00", "D", (0, (5, 1.2))),
    "z": Look("#00735a", "s", (0, (1.5, 1))),
}
FRACTION = 24
LOWEST_HZ = 0.5
MOST_NAMED, APART = 6, 0.1
"""Tones named in the figure, the strongest, and the ratio less 1 by which they lie apart; the record has all."""

WORDS = {
    "velocity_random_walk": ("velocity random walk", "µg·√s"),
    "bias_instability": ("bias instability", "µg"),
    "acceleration_random_walk": ("acceleration random walk", "µg/√s"),
    "ramp": ("drift", "µg/s"),
}
"""Name in the record → words and unit in the figure."""


def draw(noise: Noise, box: str) -> Figure:
    """Draw density above and Allan deviation below; `box` names the box and its settings."""
    figure = new_figure(8.6, 7.0, title(noise))
    upper, lower = figure.subplots(2, 1)
    _density(upper, noise)
    _allan(lower, noise)
    upper.set_title(f"noise density at rest, {box}, {noise.seconds:.0f} s")
    return figure


def title(noise: Noise) -> str:
    """The finding: density against the data sheet, and whether it was at rest."""
    worst = noise.density.value.max()
    verdict = f"Noise {worst / UG_MS2:.1f} µg/√Hz, {worst / noise.data_sheet:.2f} of the data sheet's"
    return verdict if noise.at_rest else f"{verdict} – but the box was not at rest"


def _density(axes: Axes, noise: Noise) -> None:
    kept = noise.spectrum.frequency_hz >= LOWEST_HZ
    frequency_hz = noise.spectrum.frequency_hz[kept]
    for k, (axis, look) in enumerate(AXES.items()):
        power = noise.spectrum.density[kept, k]
        shown = in_fractions_of_octave(Density(frequency_hz, power, power, power, 1), FRACTION)
        axes.plot(
            shown.frequency_hz,
            np.sqrt(shown.mean) / UG_MS2,
            color=look.colour,
            ls=look.line,
            lw=1.0,
            label=f"{axis}: {noise.density.value[k] / UG_MS2:.1f} µg/√Hz",
        )
    axes.axhline(noise.data_sheet / UG_MS2, color=QUIET, lw=0.9, ls=":", label="data sheet")
    axes.axvspan(*noise.density.band_hz, color="#e7ebef", lw=0)
    axes.text(
        np.sqrt(np.prod(noise.density.band_hz)),
        0.03,
        "white band",
        transform=axes.get_xaxis_transform(),
        ha="center",
        color=QUIET,
        fontsize=7.5,
    )
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(LOWEST_HZ, frequency_hz[-1])
    low, high = axes.get_ylim()
    middle = noise.data_sheet / UG_MS2
    axes.set_ylim(min(low, middle / 10), max(high * 3, middle * 10))
    for tone in _named(noise):
        axes.text(
            tone.frequency_hz,
            0.97,
            f"{tone.frequency_hz:.4g} Hz",
            transform=axes.get_xaxis_transform(),
            rotation=90,
            ha="center",
            va="top",
            fontsize=7,
            color=INK,
        )
    log_ticks(axes, "x")
    log_ticks(axes, "y")
    axes.grid(axis="y")
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("density, µg/√Hz")
    axes.legend(loc="lower left", ncols=2)


def _named(noise: Noise) -> list[Tone]:
    """The strongest tones, leaving out those whose names would lie on another's."""
    named: list[Tone] = []
    for tone in sorted(noise.tones, key=lambda one: -one.rms.max()):
        if all(abs(np.log(tone.frequency_hz / other.frequency_hz)) > APART for other in named):
            named.append(tone)
    return named[:MOST_NAMED]


def _allan(axes: Axes, noise: Noise) -> None:
    for (axis, look), curve, found in zip(AXES.items(), noise.curves, noise.coefficients, strict=True):
        axes.fill_between(curve.tau_s, curve.low / UG_MS2, curve.high / UG_MS2, color=look.colour, alpha=0.15, lw=0)
        axes.plot(
            curve.tau_s,
            curve.deviation / UG_MS2,
            color=look.colour,
            ls="none",
            marker=look.marker,
            ms=3.2,
            label=f"{axis}: {_read_off(found)}",
        )
        fine = np.geomspace(curve.tau_s[0], curve.tau_s[-1], 100)
        axes.plot(fine, allan.modelled(found, fine) / UG_MS2, color=look.colour, ls=look.line, lw=0.9)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.xaxis.set_major_locator(LogLocator(numticks=10))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    log_ticks(axes, "y")
    axes.grid(axis="y")
    axes.set_xlabel("averaging time, s")
    axes.set_ylabel("Allan deviation, µg")
    axes.set_title("Allan deviation with 95 % limits; lines: the fitted kinds of noise")
    axes.legend(loc="upper right")


def _read_off(found: dict[str, allan.Coefficient]) -> str:
    """The kinds of noise that were seen, in data sheets' units."""
    seen = [f"{WORDS[name][0]} {one.value / UG_MS2:.3g} {WORDS[name][1]}" for name, one in found.items() if one.seen]
    return ", ".join(seen) or "no kind of noise can be read off"
