"""`towertap bench noise`: what the sensor shows when nothing moves."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Group
from rich.table import Table

from towertap.bench import records
from towertap.bench.noise import UG_MS2, Noise, measure
from towertap.capture.reading import open_capture
from towertap.cli._bench_recording import guided, record_now, recording_options
from towertap.cli._outcome import Outcome, answers, judged, plain
from towertap.signals.metrics import METRICS

SECONDS = 1800.0
GUIDE = (
    "Lay it on a stone floor or a heavy table on the ground floor, on a folded cloth, its cable taped down; wait ten "
    "minutes until it is warm. Then leave it alone: feet, doors, fans, a running computer on the same table and "
    "traffic disturb it. Half an hour shows the slow noise; a minute is enough for the density."
)


@click.command(
    name="noise",
    short_help="noise, tones, slow drift and noise floors at rest",
    help=f"Measure noise density, Allan deviation, tones and the noise floor of every metric from CAPTURE, a recording "
    f"at rest, or record one now ({SECONDS:.0f} s unless --seconds). Exit status 1: the box was not at rest.",
)
@click.argument("capture", required=False, type=click.Path(path_type=Path))
@recording_options(odr_hz=4000)
@answers
def noise(capture: Path | None, port: str | None, seconds: float | None, odr_hz: str, folder: Path | None) -> Outcome:
    """Record if need be, measure, draw, keep."""
    path = capture or _record(port, seconds or SECONDS, odr_hz, folder)
    with open_capture(path) as opened:
        found = measure(opened)
        record = records.record_of("noise", opened, plain(found.data()))
    kept = records.write(record, records.bench_folder(path, folder))
    figure = kept.with_suffix(".png")
    draw(found, record.subject, figure)
    data = {"capture": path, "record": kept, "figure": figure, "subject": record.subject.__dict__, **found.data()}
    return Outcome(data, _text(found, kept, figure), 0 if found.at_rest else 1)


def _record(port: str | None, seconds: float, odr_hz: str, folder: Path | None) -> Path:
    with guided(port, GUIDE) as box:
        return record_now(box, "noise", seconds, odr_hz, folder)


def draw(found: Noise, subject: records.Subject, path: Path) -> None:
    """Draw the figure into a PNG file."""
    from matplotlib import rc_context  # here, because drawing takes a second to load

    from towertap.drawing import style
    from towertap.report.figures import bench_noise

    with rc_context(style.RC):
        style.save(bench_noise.draw(found, f"box {subject.serial}, {subject.chip}, {subject.odr_hz:g} Hz"), path)


def _text(found: Noise, kept: Path, figure: Path) -> Group:
    told = [*_density_lines(found), *_slow_lines(found), *_tone_lines(found)]
    rules = [judged(rule.ok, rule.text) for rule in found.rules]
    verdict = "at rest" if found.at_rest else "not at rest: record it again"
    return Group("\n".join(told), _floors(found), *rules, verdict, f"record {kept}\nfigure {figure}")


def _density_lines(found: Noise) -> list[str]:
    low, high = found.density.band_hz
    lines = [f"noise density, {low:g} to {high:.0f} Hz (data sheet {found.data_sheet / UG_MS2:.0f} µg/√Hz):"]
    for k, axis in enumerate("xyz"):
        value, least, most = (v[k] / UG_MS2 for v in (found.density.value, found.density.low, found.density.high))
        lines.append(
            f"  {axis}  {value:.1f} µg/√Hz, 95 % interval {least:.1f} to {most:.1f}; "
            f"r.m.s. of all frequencies {found.broadband_rms[k]:.4f} m/s²; "
            f"rounding is {100 * found.quantisation_share[k]:.1f} % of the noise power"
        )
    return lines


def _slow_lines(found: Noise) -> list[str]:
    lines = ["Allan deviation:"]
    for axis, coefficients in zip("xyz", found.coefficients, strict=True):
        if not any(one.follows for one in coefficients.values()):
            lines.append(f"  {axis}  the curve is no sum of the known kinds of noise, so none can be read off")
            continue
        for one in coefficients.values():
            name = one.name.replace("_", " ")
            if one.interval and one.tau_s:
                told = f"{one.value:.3g} {one.unit}, 95 % interval {one.interval[0]:.3g} to {one.interval[1]:.3g}"
                lines.append(f"  {axis}  {name} {told} (rules from {one.tau_s[0]:.2g} to {one.tau_s[1]:.3g} s)")
            elif not one.follows:
                lines.append(f"  {axis}  {name} cannot be read off: the curve departs from the fit")
            else:
                lines.append(f"  {axis}  {name} not seen, below {one.bound:.2g} {one.unit}")
    return lines


def _tone_lines(found: Noise) -> list[str]:
    if not found.tones:
        return ["no tones"]
    return ["tones:"] + [
        f"  {t.frequency_hz:.2f} Hz, {t.rms.max() / UG_MS2:.3g} µg r.m.s.: {t.name}" for t in found.tones
    ]


def _floors(found: Noise) -> Table:
    table = Table("noise floor of", "chip x", "chip y", "chip z", "unit", box=None, pad_edge=False)
    for name, value in found.floors.items():
        if name[-1] == "z" or name == "weighted_x":  # the floors of a chip axis do not depend on the metric's own
            table.add_row(name, *(f"{v:.3g}" for v in value), METRICS[name].unit)
    return table
