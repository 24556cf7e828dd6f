"""Start the box: hand the serial port's two byte streams to the loop."""

import sys

from towertap_box.acquire import run

if __name__ == "__main__":
    run(sys.stdin.buffer, sys.stdout.buffer)
