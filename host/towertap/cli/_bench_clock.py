"""`towertap bench clock`: how fast the chip's oscillator and the box's crystal run, and how they drift."""

from __future__ import annotations

from pathlib import Path

import click

from towertap.bench.clock import Clocks, HostClock, Slope, measure
from towertap.cli._bench_recording import captured, kept, recording_options
from towertap.cli._outcome import Outcome, answers

SECONDS = 3600.0
GUIDE = (
    "Start with the box cold, from outdoors or after an hour without power; it warms itself by some degrees, and a "
    "towel over it adds more. Nothing has to be kept still. Do not let the computer sleep."
)


@click.command(
    name="clock",
    short_help="rate and drift of the chip's and the box's clock",
    help=f"Measure rate and drift of the chip's oscillator over time and temperature, and the box's clock against the "
    f"host's, from CAPTURE or by recording now ({SECONDS:.0f} s unless --seconds).",
)
@click.argument("capture", required=False, type=click.Path(path_type=Path))
@recording_options(odr_hz=1000)
@answers
def clock(capture: Path | None, port: str | None, seconds: float | None, odr_hz: str, folder: Path | None) -> Outcome:
    """Record if need be, fit, keep."""
    path = captured(capture, "clock", GUIDE, port, seconds or SECONDS, odr_hz, folder)
    clocks, data = kept("clock", path, folder, measure)
    return Outcome(data, "\n".join([*_lines(clocks), f"record {data['record']}"]))


def _lines(clocks: Clocks) -> list[str]:
    value, low, high = clocks.rate_ppm
    warmth = "the chip gave no temperature"
    if clocks.temperature_c:
        warmth = f"chip from {clocks.temperature_c[0]:.1f} to {clocks.temperature_c[1]:.1f} °C"
    return [
        f"chip against box clock: {clocks.rate.rate_hz:.4f} Hz, {value:+.1f} ppm of {clocks.odr_hz:g} Hz, "
        f"95 % interval {low:+.1f} to {high:+.1f}; readings scatter by {clocks.rate.jitter_us:.0f} µs",
        f"over {clocks.seconds:.0f} s in {len(clocks.parts)} parts, {warmth}",
        f"drift {_slope(clocks.drift_ppm_per_h, 'ppm an hour', 'longer')}",
        f"with temperature {_slope(clocks.temperature_ppm_per_c, 'ppm a °C', 'with more warming')}",
        f"box against host clock: {_host(clocks.host)}",
    ]


def _slope(slope: Slope | None, unit: str, need: str) -> str:
    if slope is None:
        return f"not known: record {need}"
    return f"{slope.value:+.3g} {unit}, 95 % interval {slope.interval[0]:+.3g} to {slope.interval[1]:+.3g}"


def _host(host: HostClock | None) -> str:
    if host is None:
        return "not known: the recording has no two readings of both clocks"
    words = (
        f"{host.fast_ppm:+.1f} ppm, between {host.bounds_ppm[0]:+.1f} and {host.bounds_ppm[1]:+.1f} by "
        f"{host.readings} readings over {host.seconds:.0f} s"
    )
    if host.wild:
        words += "; no crystal is so far off: the computer slept, its clock was set, or the box is a simulated one"
    elif host.bend_s:
        words += f"; they depart from a straight line by {host.bend_s * 1e3:.2f} ms"
    return words
