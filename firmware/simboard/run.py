"""Start a simulated box: `micropython run.py CONFIG.json`. The serial port is standard input and output.

It runs on MicroPython's unix port (64-bit, for the native arithmetic of the signal path) or, more slowly, on CPython.
"""

import sys

HERE = sys.argv[0].rsplit("/", 1)[0] if "/" in sys.argv[0] else "."
sys.path[0] = HERE + "/.."  # not this folder, which has the simulated `json`, `time` and others
if sys.implementation.name != "micropython":
    sys.path.insert(0, HERE + "/cpython_shim")

import json  # noqa: E402  after the path is set
import os  # noqa: E402, F401  before `time`, which it needs under CPython, is replaced


def serial_streams():
    """Standard input and output as bytes, unbuffered."""
    if sys.implementation.name == "micropython":
        return sys.stdin.buffer, sys.stdout.buffer
    return open(0, "rb", buffering=0, closefd=False), open(1, "wb", buffering=0, closefd=False)


def main(config):
    """Run the box until the host goes away; a reset of the processor restarts the firmware."""
    from simboard import modules
    from simboard.board import Board, Reset
    from simboard.port import Port

    stream_in, stream_out = serial_streams()
    board = Board(config, stream_in)
    modules.install(board)
    port = Port(stream_in, stream_out, board)
    while True:
        try:
            from towertap_box.acquire import run

            return run(port, port)
        except Reset as reset:
            board.start(reset.cause)
            for name in list(sys.modules):
                if name.startswith("towertap_box"):
                    del sys.modules[name]
        except OSError:  # the host's end is closed
            return None


if __name__ == "__main__":
    with open(sys.argv[1]) as file:
        settings = json.load(file)
    try:
        main(settings)
    except Exception as error:  # MicroPython would print it to standard output, which is the serial port
        print(type(error).__name__ + ":", error, file=sys.stderr)
        sys.exit(1)
