"""`towertap bench noise`: what the sensor shows when nothing moves."""

from pathlib import Path

import click
from rich.console import Group
from rich.table import Table

from towertap.bench.noise import UG_MS2, Noise, measure
from towertap.cli._bench_recording import captured, kept, recording_options
from towertap.cli._outcome import PATH, Outcome, answers, judged
from towertap.signals.metrics import METRICS

SECONDS = 1800.0
GUIDE = (
    "Lay it on a stone floor or a heavy table on the ground floor, on a folded cloth, its cable taped down; wait ten "
    "minutes until it is warm. Then leave it alone: feet, doors, fans, a running computer on the same table and "
    "traffic disturb it. Half an hour shows the slow noise; a minute is enough for the density."
)


@click.command(
    short_help="noise, tones, slow drift and noise floors at rest",
    help=f"Measure noise density, Allan deviation, tones and the noise floor of every metric from CAPTURE, a recording "
    f"at rest, or record one now ({SECONDS:.0f} s unless --seconds). Exit status 1: the box was not at rest.",
)
@click.argument("capture", required=False, type=PATH)
@recording_options(odr_hz=4000)
@answers
def noise(capture: Path | None, port: str | None, seconds: float | None, odr_hz: str, bench: Path | None) -> Outcome:
    """Record if need be, measure, draw, keep."""
    path = captured(capture, "noise", GUIDE, port, seconds or SECONDS, odr_hz, bench)
    result, data = kept("noise", path, bench, measure)
    figure = data["record"].with_suffix(".png")
    setup = data["subject"]
    draw(result, f"box {setup.serial}, {setup.chip}, {setup.odr_hz:g} Hz", figure)
    lines = "\n".join([*_density_lines(result), *_slow_lines(result), *_tone_lines(result)])
    checks = [judged(check.ok, check.text) for check in result.checks]
    verdict = "at rest" if result.at_rest else "not at rest: record it again"
    text = Group(lines, _floors(result), *checks, verdict, f"record {data['record']}\nfigure {figure}")
    return Outcome({**data, "figure": figure}, text, 0 if result.at_rest else 1)


def draw(noise: Noise, box: str, path: Path) -> None:
    """Draw the figure into a PNG file; `box` names the box and its settings."""
    from matplotlib import rc_context  # here, because drawing takes a second to load

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
            f"r.m.s. of all frequencies {noise.broadband_rms[k]:.4f} m/s²; "
            f"rounding is {100 * noise.quantisation_share[k]:.1f} % of the noise power"
        )
    return lines


def _slow_lines(noise: Noise) -> list[str]:
    lines = ["Allan deviation:"]
    for axis, coefficients in zip("xyz", noise.coefficients, strict=True):
        if not any(coefficient.follows for coefficient in coefficients.values()):
            lines.append(f"  {axis}  the curve is no sum of the known kinds of noise, so none can be read off")
            continue
        for read in coefficients.values():
            name = read.name.replace("_", " ")
            if read.interval and read.tau_s:
                low, high = read.interval
                words = f"{read.value:.3g} {read.unit}, 95 % interval {low:.3g} to {high:.3g}"
                lines.append(f"  {axis}  {name} {words} (rules from {read.tau_s[0]:.2g} to {read.tau_s[1]:.3g} s)")
            elif not read.follows:
                lines.append(f"  {axis}  {name} cannot be read off: the curve departs from the fit")
            else:
                lines.append(f"  {axis}  {name} not seen, below {read.bound:.2g} {read.unit}")
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
        if name[-1] == "z" or name == "weighted_x":  # the floors of a chip axis do not depend on the metric's own
            table.add_row(name, *(f"{v:.3g}" for v in value), METRICS[name].unit)
    return table
