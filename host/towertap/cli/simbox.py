"""`towertap simbox`: start a simulated box that plays a capture, and say which port to record from."""

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
"""Of a capture: it is played from memory."""


@click.command(
    help=f"""Start a simulated box that plays CAPTURE, or is at rest, and print the port to record from.

What the chip felt is played in its own axes: the longest stretch without a gap, up to {LONGEST_S:.0f} s of it. It
begins each time the box is told to start; after its end the box rests, turned as it lay on average. 'towertap import'
makes a capture of any other signal. The box runs in real time until Ctrl-C.""",
    epilog="Example: towertap simbox drives/bypass_rubber_pass01.h5",
)
@click.argument("capture", type=PATH, required=False)
@click.option("--virtual", is_flag=True, help="Run as fast as it goes instead of by the wall clock.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output, nothing else.")
def command(capture: Path | None, virtual: bool, as_json: bool) -> int:
    """Run a box until it ends or Ctrl-C; the port is printed at once, so this command has no Outcome at its end."""
    motion, rate_hz = motion_of(capture) if capture else (None, None)
    box = SimulatedBox(motion, rate_hz, realtime=not virtual)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # so that the box is tidied away then, too
    with box:
        if as_json:
            print(json.dumps({"port": box.port, "interpreter": box.interpreter}), flush=True)
        else:
            print(f"simulated box on {box.port}\nrecord from it with: towertap record --port {box.port}", flush=True)
        if box.interpreter != "micropython":
            console.print("MicroPython is not installed: the firmware runs under CPython, several times slower")
        try:
            box.wait()
        except KeyboardInterrupt:
            pass
        finally:
            sys.stderr.write(box.complaints())
    return 0


def motion_of(path: Path) -> tuple[Array, float]:
    """What the chip of a capture felt, (n, 3) in m/s² or (n, 6) with rad/s after them, and its rate in Hz."""
    with open_capture(path) as capture:
        samples, most_rows = Samples(capture, "chip"), round(LONGEST_S * capture.rate_hz)
        blocks = samples.piece_blocks(max(samples.pieces, key=lambda piece: piece.n_rows))
        return np.concatenate([values for row, values in blocks if row < most_rows])[:most_rows], capture.rate_hz
