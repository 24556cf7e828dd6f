"""`towertap bench tap`: what the mounting carries."""

from __future__ import annotations

from pathlib import Path

import click

from towertap.bench import records
from towertap.bench.tap import Tapped, measure
from towertap.capture.reading import Capture, open_capture
from towertap.cli._bench_recording import guided, record_now, recording_options
from towertap.cli._outcome import Outcome, answers, plain
from towertap.errors import AnalysisError

SECONDS = 30.0
LONGEST_S = 600.0
GUIDE = (
    "With the box mounted as for a drive and the engine off: tap the metal a hand's breadth from the box with the "
    "plastic handle of a screwdriver, some ten times, two seconds apart, half of them up and down and half sideways. "
    "Tap, do not hammer."
)


@click.command(
    name="tap",
    short_help="mounted resonance and usable band from taps",
    help=f"Find the mounted resonance and its damping from CAPTURE, a recording of taps at 8 kHz, or record them now "
    f"({SECONDS:.0f} s unless --seconds), and from it the usable band. Exit status 1: the taps do not agree.",
)
@click.argument("capture", required=False, type=click.Path(path_type=Path))
@recording_options(odr_hz=8000)
@answers
def tap(capture: Path | None, port: str | None, seconds: float | None, odr_hz: str, folder: Path | None) -> Outcome:
    """Record if need be, find the taps, keep."""
    path = capture or _record(port, seconds or SECONDS, odr_hz, folder)
    with open_capture(path) as opened:
        found = _measure(opened)
        record = records.record_of("tap", opened, plain(found.data()))
    kept = records.write(record, records.bench_folder(path, folder))
    data = {"capture": path, "record": kept, "subject": record.subject.__dict__, **found.data()}
    return Outcome(data, "\n".join(_lines(found, kept)), 0 if found.usable_hz else 1)


def _record(port: str | None, seconds: float, odr_hz: str, folder: Path | None) -> Path:
    with guided(port, GUIDE) as box:
        return record_now(box, "tap", seconds, odr_hz, folder)


def _measure(capture: Capture) -> Tapped:
    """The longest stretch without gaps, whole: taps take half a minute."""
    piece = max(capture.pieces(), key=lambda one: one.n_rows)
    if piece.n_rows > LONGEST_S * capture.rate_hz:
        raise AnalysisError(f"{capture.path}: {piece.n_rows / capture.rate_hz:.0f} s is no recording of taps")
    rows = capture.counts("acceleration", piece.first_row, piece.first_row + piece.n_rows)
    full_scale_ms2 = capture.layout.quantities["acceleration"].highest * capture.scale_ms2
    return measure(rows * capture.scale_ms2, capture.rate_hz, full_scale_ms2)


def _lines(found: Tapped, kept: Path) -> list[str]:
    clipped = f", {found.clipped} more beyond the sensor's range" if found.clipped else ""
    lines = [f"{len(found.at_s)} taps{clipped}"]
    for axis, one in found.resonances.items():
        if one is None:
            lines.append(f"{axis}  the taps do not agree on a resonance")
            continue
        low, high = one.frequency_interval_hz
        lines.append(
            f"{axis}  mounted resonance {one.frequency_hz:.1f} Hz, 95 % interval {low:.1f} to {high:.1f}, spread "
            f"{one.frequency_spread_hz:.1f}; damping {100 * one.damping:.2f} ± {100 * one.damping_spread:.2f} % "
            f"(one standard deviation), {one.taps} taps agree"
        )
    if usable := found.usable_hz:
        lines.append(
            f"usable to {usable['one_third']:.0f} Hz (a third of the lowest resonance, reads some 12 % high), "
            f"to {usable['one_fifth']:.0f} Hz for 4 % (a fifth)"
        )
    else:
        lines.append("no usable band: is the box fixed, and did you tap the metal and not the box?")
    return [*lines, f"record {kept}"]
