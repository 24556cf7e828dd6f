"""`towertap bench tap`: up to which frequency the mounting can be trusted."""

from pathlib import Path
from typing import Any

import click

from towertap.bench.tap import Taps, measure
from towertap.capture.reading import Capture
from towertap.cli._bench_recording import measured_now, recording_options
from towertap.cli._outcome import PATH, Outcome, answers
from towertap.errors import AnalysisError

LONGEST_S = 600.0
GUIDE = (
    "Mount the box as for a drive; engine off. Tap the metal a hand's breadth from the box with the plastic handle of "
    "a screwdriver, about ten times, two seconds apart, half of them vertically and half sideways. Tap, do not hammer."
)


@click.command(
    short_help="mounted resonance and usable band from taps",
    help="Find the mounted resonance, its damping and the usable band from CAPTURE, a recording of taps at 8 kHz, or "
    "from one recorded now. Exit status 1: the taps do not agree.",
)
@click.argument("capture", required=False, type=PATH)
@recording_options(odr_hz=8000, seconds=30.0)
@answers
def tap(capture: Path | None, **recording: Any) -> Outcome:
    """Record if no capture is given, find the taps, keep the record."""
    taps, data = measured_now("tap", _measure, GUIDE, capture, **recording)
    lines = [*_lines(taps), f"record {data['record']}"]
    return Outcome(data, "\n".join(lines), 0 if taps.usable_hz else 1)


def _measure(capture: Capture) -> Taps:
    """Measure in the longest piece between gaps, read into memory."""
    piece = max(capture.pieces(), key=lambda piece: piece.n_rows)
    if piece.n_rows > LONGEST_S * capture.rate_hz:
        raise AnalysisError(
            f"{capture.path}: {piece.n_rows / capture.rate_hz:.0f} s is too long for a recording of taps, which may "
            f"have {LONGEST_S:.0f} s"
        )
    rows = capture.counts("acceleration", piece.first_row, piece.first_row + piece.n_rows)
    full_scale_ms2 = capture.layout.quantities["acceleration"].highest * capture.scale_ms2
    return measure(rows * capture.scale_ms2, capture.rate_hz, full_scale_ms2)


def _lines(taps: Taps) -> list[str]:
    clipped = f", {taps.clipped} more beyond the sensor's range" if taps.clipped else ""
    lines = [f"{len(taps.at_s)} taps{clipped}"]
    for axis, resonance in taps.resonances.items():
        if resonance is None:
            lines.append(f"{axis}  the taps do not agree on a resonance")
            continue
        low, high = resonance.frequency_interval_hz
        lines.append(
            f"{axis}  mounted resonance {resonance.frequency_hz:.1f} Hz, 95 % interval {low:.1f} to {high:.1f}, spread "
            f"{resonance.frequency_spread_hz:.1f}; damping {100 * resonance.damping:.2f} ± "
            f"{100 * resonance.damping_spread:.2f} % (one standard deviation), {resonance.taps} taps agree"
        )
    if usable := taps.usable_hz:
        lines.append(
            f"usable up to {usable['one_third']:.0f} Hz (a third of the lowest resonance, where it reads about 12 % "
            f"high), or to {usable['one_fifth']:.0f} Hz (a fifth) for 4 %"
        )
    else:
        lines.append("no usable band: is the box bolted down, and did you tap the metal and not the box?")
    return lines
