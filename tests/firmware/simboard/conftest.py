"""A bench for the chip model: a simulated board without firmware, whose chip a script reads and writes over SPI."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from towertap.firmware import firmware_dir

BENCH = """
import json, sys
from binascii import hexlify
if sys.implementation.name != "micropython":
    sys.path.insert(0, "simboard/cpython_shim")
from simboard import machine, time
from simboard.board import Board

board = Board(json.loads(CONFIG), sys.stdin.buffer)
machine.board = board
time.board = board
board.call_ns = 2000  # the chip's time, not the firmware's
chip = board.chip
select = machine.Pin(17, machine.Pin.OUT, value=1)
int1 = machine.Pin(20, machine.Pin.IN)
spi = machine.SPI(0, baudrate=12000000, polarity=0, phase=0)
edges = []
int1.irq(lambda pin: edges.append(board.now_ps), machine.Pin.IRQ_RISING)


def write(register, *values):
    select(0)
    spi.write(bytes((register,) + values))
    select(1)


def burst(register, n):
    into = bytearray(n)
    select(0)
    spi.write(bytes((register | 0x80,)))
    spi.readinto(into)
    select(1)
    return into


def read(register, n=1):
    return list(burst(register, n))


def bank(n, *settings):
    write(0x76, n)
    for register, value in settings:
        write(register, value)
    write(0x76, 0)


def start(rate_code=0x04, *settings, **odd):
    # records and big-endian, no filter switching, packet 3, watermark 32, INT1 pulsed, active high
    # and, after the start-up time, stream
    for register, value in ((0x4C, 0x70), (0x4D, 0x51), (0x4F, rate_code), (0x50, rate_code), (0x5F, 0x03), (0x60, 32)):
        write(register, value)
    for register, value in ((0x14, 0x03), (0x64, 0x60), (0x65, 0x04)) + settings:
        write(register, value)
    write(0x4E, 0x0F)
    time.sleep_ms(50)
    write(0x16, odd.get("mode", 0x40))


def level():
    high, low = read(0x2E, 2)
    return high << 8 | low


def after(n):
    # advance to the moment of the n-th sample from now
    chip.run_to(board.now_ps)
    board.spend(chip.sampler.next_ps + (n - 1) * chip.sampler.period_ps - board.now_ps)


def collect(n):
    packets = bytearray()
    while len(packets) < 16 * n:
        after(64)
        packets += burst(0x30, 16 * level())
    return hexlify(packets[: 16 * n]).decode()


"""


@pytest.fixture
def bench(micropython):
    """A function that runs a script on the bench and returns its `answer`; settings are the board's."""

    def run(script: str, interpreter: str = "micropython", **settings):
        program = f"CONFIG = {json.dumps(settings)!r}\n{BENCH}\n{script}\nprint(json.dumps(answer))"
        command = [micropython, "-X", "heapsize=32M"] if interpreter == "micropython" else [sys.executable, "-B"]
        done = subprocess.run(
            [*command, "-c", program], cwd=firmware_dir(), stdin=subprocess.DEVNULL, capture_output=True, timeout=120
        )
        assert done.returncode == 0, (done.stderr + done.stdout).decode(errors="replace")[-2000:]
        return json.loads(done.stdout.splitlines()[-1])

    return run
