"""`towertap bench clock`: how fast the chip's oscillator and the box's crystal run, and how they drift."""

from __future__ import annotations

from pathlib import Path

import click

from towertap.bench import records
from towertap.bench.clock import Clocks, HostClock, Slope, measure
from towertap.capture.reading import open_capture
from towertap.cli._bench_recording import guided, record_now, recording_options
from towertap.cli._outcome import Outcome, answers, plain

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
    path = capture or _record(port, seconds or SECONDS, odr_hz, folder)
    with open_capture(path) as opened:
        found = measure(opened)
        record = records.record_of("clock", opened, plain(found.data()))
    kept = records.write(record, records.bench_folder(path, folder))
    data = {"capture": path, "record": kept, "subject": record.subject.__dict__, **found.data()}
    return Outcome(data, "\n".join(_lines(found, kept)))


def _record(port: str | None, seconds: float, odr_hz: str, folder: Path | None) -> Path:
    with guided(port, GUIDE) as box:
        return record_now(box, "clock", seconds, odr_hz, folder)


def _lines(found: Clocks, kept: Path) -> list[str]:
    value, low, high = found.rate_ppm
    warmth = "the chip told no temperature"
    if found.temperature_c:
        warmth = f"chip from {found.temperature_c[0]:.1f} to {found.temperature_c[1]:.1f} °C"
    return [
        f"chip against box clock: {found.rate.rate_hz:.4f} Hz, {value:+.1f} ppm of {found.odr_hz:g} Hz, 95 % interval "
        f"{low:+.1f} to {high:+.1f}; readings scatter by {found.rate.jitter_us:.0f} µs",
        f"over {found.seconds:.0f} s in {len(found.parts)} parts, {warmth}",
        f"drift {_slope(found.drift_ppm_per_h, 'ppm an hour', 'longer')}",
        f"with temperature {_slope(found.temperature_ppm_per_c, 'ppm a °C', 'with more warming')}",
        f"box against host clock: {_host(found.host)}",
        f"record {kept}",
    ]


def _slope(found: Slope | None, unit: str, need: str) -> str:
    if found is None:
        return f"not told: record {need}"
    return f"{found.value:+.3g} {unit}, 95 % interval {found.interval[0]:+.3g} to {found.interval[1]:+.3g}"


def _host(found: HostClock | None) -> str:
    if found is None:
        return "not told: the recording has no two readings of both clocks"
    words = (
        f"{found.fast_ppm:+.1f} ppm, between {found.bounds_ppm[0]:+.1f} and {found.bounds_ppm[1]:+.1f} by "
        f"{found.readings} readings over {found.seconds:.0f} s"
    )
    if found.wild:
        words += "; no crystal is so far off: the computer slept, its clock was set, or the box is a simulated one"
    elif found.bend_s:
        words += f"; they depart from a straight line by {found.bend_s * 1e3:.2f} ms"
    return words
