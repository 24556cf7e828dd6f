"""`towertap bench noise`: the sensor's noise at rest."""

from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.table import Table

from towertap.bench.noise import UG_MS2, Noise, measure
from towertap.cli._bench_recording import measured_now, recording_options
from towertap.cli._outcome import PATH, Outcome, answers, judged
from towertap.signals.metrics import METRICS

GUIDE = (
    "Lay it on a folded cloth on a stone floor, or on a heavy table on the ground floor, and tape its cable down. Wait "
    "ten minutes until it is warm, then leave it alone: footsteps, doors, fans, traffic and a computer running on the "
    "same table disturb it. Half an hour shows the slow noise; a minute is enough for the density."
)


@click.command(
    short_help="noise, tones, slow drift and noise floors at rest",
    help="Measure noise density, Allan deviation, tones and the noise floor of every metric from CAPTURE, a recording "
    "at rest, or from one recorded now. Exit status 1: the box was not at rest.",
)
@click.argument("capture", required=False, type=PATH)
@recording_options(odr_hz=4000, seconds=1800.0)
@answers
def noise(capture: Path | None, **recording: Any) -> Outcome:
    """Record if no capture is given, measure, draw, keep the record."""
    result, data = measured_now("noise", measure, GUIDE, capture, **recording)
    figure = data["record"].with_suffix(".png")
    subject = data["subject"]
    draw(result, f"box {subject.serial}, {subject.chip}, {subject.odr_hz:g} Hz", figure)
    lines = "\n".join([*_density_lines(result), *_slow_lines(result), *_tone_lines(result)])
    checks = [judged(check.ok, check.text) for check in result.checks]
    verdict = "at rest" if result.at_rest else "not at rest: record it again"
    text = Group(lines, _floors(result), *checks, verdict, f"record {data['record']}\nfigure {figure}")
    return Outcome({**data, "figure": figure}, text, 0 if result.at_rest else 1)


def draw(noise: Noise, box: str, path: Path) -> None:
    """Draw the figure as a PNG; `box` names the box and its settings."""
    from matplotlib import rc_context  # takes a second to load

    from towertap.drawing import style
    from towertap.report.figures import bench_noise

    with rc_context(style.RC):
        style.save(bench_noise.draw(noise, box), path)


def _density_lines(noise: Noise) -> list[str]:
    low, high = noise.density.band_hz
    lines = [f"noise density, {low:g} to {high:.0f} Hz (data sheet {noise.data_sheet / UG_MS2:.0f} µg/√Hz):"]
    for k, axis in enumerate("xyz"):
        value, least, most = (v[k] / UG_MS2 for v in (noise.density.value, noise.density.low, noise.density.high))
        lines.append(
            f"  {axis}  {value:.1f} µg/√Hz, 95 % interval {least:.1f} to {most:.1f}; "
            f"r.m.s. over all frequencies {noise.broadband_rms[k]:.4f} m/s²; "
            f"quantisation is {100 * noise.quantisation_share[k]:.1f} % of the noise power"
        )
    return lines


def _slow_lines(noise: Noise) -> list[str]:
    lines = ["Allan deviation:"]
    for axis, coefficients in zip("xyz", noise.coefficients, strict=True):
        if not any(coefficient.follows for coefficient in coefficients.values()):
            lines.append(f"  {axis}  the curve does not fit a sum of the known kinds of noise, so none is given")
            continue
        for coefficient in coefficients.values():
            name, unit = coefficient.name.replace("_", " "), coefficient.unit
            if coefficient.interval and coefficient.tau_s:
                (low, high), (from_s, to_s) = coefficient.interval, coefficient.tau_s
                value = f"{coefficient.value:.3g} {unit}, 95 % interval {low:.3g} to {high:.3g}"
                lines.append(f"  {axis}  {name} {value} (dominates from {from_s:.2g} to {to_s:.3g} s)")
            elif not coefficient.follows:
                lines.append(f"  {axis}  {name} not given: the curve departs from the fit there")
            else:
                lines.append(f"  {axis}  {name} not seen, below {coefficient.bound:.2g} {unit}")
    return lines


def _tone_lines(noise: Noise) -> list[str]:
    if not noise.tones:
        return ["no tones"]
    return ["tones:"] + [
        f"  {tone.frequency_hz:.2f} Hz, {tone.rms.max() / UG_MS2:.3g} µg r.m.s.: {tone.name}" for tone in noise.tones
    ]


def _floors(noise: Noise) -> Table:
    table = Table("noise floor of", "chip x", "chip y", "chip z", "unit", box=None, pad_edge=False)
    for name, value in noise.floors.items():
        if name[-1] == "z" or name == "weighted_x":  # other metrics along x and y have the floors of z
            table.add_row(name, *(f"{v:.3g}" for v in value), METRICS[name].unit)
    return table
