"""`towertap simbox`: start a simulated box that plays a recorded signal, and say which port to record from."""

import json
import signal
import sys
from pathlib import Path
from typing import Any

import click

from towertap.box.simulated import FAULTS, SimulatedBox, read_signal
from towertap.cli._outcome import PATH, console
from towertap.errors import CallError


@click.command(
    help="""Start a simulated box that plays a recorded signal, and print the port to record from.

The signal is a .csv or .npy file with three columns in m/s² (or six, with rad/s after them) in the chip's axes, as an
accelerometer feels them: at rest +9.81 upwards. `towertap export CAPTURE --chip-axes --to lane.csv` makes one. It
begins each time the box is told to start; after its end the box rests, turned as it lay on average. The box runs in
real time until Ctrl-C.""",
    epilog="Example: towertap simbox --signal lane.csv",
)
@click.option("--signal", "path", type=PATH, help="Signal to play; without it the box is at rest.")
@click.option(
    "--rate", "rate_hz", type=float, help="Sample rate of the signal in Hz, unless its first column is a time."
)
@click.option("--virtual", is_flag=True, help="Run as fast as it goes instead of by the wall clock.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME@SECONDS[:KEY=VALUE]",
    help=f"What goes wrong, so long after the signal began: {', '.join(FAULTS)}; as in fifo_overflow@5:lost=37.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output, nothing else.")
def command(path: Path | None, rate_hz: float | None, virtual: bool, faults: tuple[str, ...], as_json: bool) -> int:
    """Run a box until it ends or Ctrl-C; the port is printed at once, so this command has no Outcome at its end."""
    motion, motion_rate_hz = read_signal(path, rate_hz) if path else (None, None)
    box = SimulatedBox(motion, motion_rate_hz, realtime=not virtual, faults=[parse_fault(text) for text in faults])
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


def parse_fault(text: str) -> dict[str, Any]:
    """Read `NAME@SECONDS[:KEY=VALUE…]` as a fault for SimulatedBox; CallError when it is not one."""
    head, *pairs = text.split(":")
    name, _, at_s = head.partition("@")
    try:
        fault: dict[str, Any] = {"fault": name, "at_s": float(at_s or 0)}
        for pair in pairs:
            key, _, value = pair.partition("=")
            fault[key] = value if key == "axis" else int(value, 0)
    except ValueError:
        raise CallError(
            f"--fault {text}: write it as NAME@SECONDS[:KEY=VALUE], as in fifo_overflow@5:lost=37"
        ) from None
    return fault
