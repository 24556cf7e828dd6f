"""`towertap simbox`: start a simulated box that plays a capture, and print the port to record from."""

import json
import signal
import sys
from pathlib import Path

import click
import numpy as np

from towertap.box.simulated import SimulatedBox
from towertap.capture.reading import open_capture
from towertap.cli._outcome import PATH, console
from towertap.exchange.samples import Samples
from towertap.signals.filters import Array

LONGEST_S = 600.0
"""The capture is played from memory."""


@click.command(
    help=f"""Start a simulated box that plays CAPTURE, or is at rest, and print the port to record from.

It plays the chip's signal in chip axes: the longest stretch without a gap, up to {LONGEST_S:.0f} s of it. Every
recording starts it from the beginning; after its end the box rests in its average orientation. To play another signal,
make a capture of it with 'towertap import'. The box runs in real time until Ctrl-C.""",
    epilog="Example: towertap simbox drives/bypass_rubber_pass01.h5",
)
@click.argument("capture", type=PATH, required=False)
@click.option("--virtual", is_flag=True, help="Run as fast as possible instead of in real time.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output, nothing else.")
def command(capture: Path | None, virtual: bool, as_json: bool) -> int:
    """Run a box until it ends or Ctrl-C. It returns no Outcome because the port must be printed at once."""
    motion, rate_hz = motion_of(capture) if capture else (None, None)
    box = SimulatedBox(motion, rate_hz, realtime=not virtual)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # SIGTERM must clean up as Ctrl-C does
    with box:
        if as_json:
            print(json.dumps({"port": box.port, "interpreter": box.interpreter}), flush=True)
        else:
            print(f"simulated box on {box.port}\nrecord from it with: towertap record --port {box.port}", flush=True)
        if box.interpreter != "micropython":
            console.print("MicroPython is not installed, so the firmware runs under CPython, several times slower")
        try:
            box.wait()
        except KeyboardInterrupt:
            pass
        finally:
            sys.stderr.write(box.complaints())
    return 0


def motion_of(path: Path) -> tuple[Array, float]:
    """The signal of a capture in chip axes, (n, 3) in m/s² or (n, 6) with rad/s after them, and its rate in Hz."""
    with open_capture(path) as capture:
        samples, max_rows = Samples(capture, "chip"), round(LONGEST_S * capture.rate_hz)
        blocks = samples.piece_blocks(max(samples.pieces, key=lambda piece: piece.n_rows))
        return np.concatenate([values for row, values in blocks if row < max_rows])[:max_rows], capture.rate_hz
