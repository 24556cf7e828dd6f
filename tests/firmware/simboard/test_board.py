"""The simulated board's `machine` and `time` against MicroPython's documentation and plain arithmetic."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(("wish_hz", "actual_hz"), [(12_000_000, 12_000_000), (10_000_000, 8_000_000)])
def test_a_transfer_takes_its_bits_at_the_blocks_actual_rate(bench, wish_hz, actual_hz):
    """RP2040 data sheet, section 4.4: half of the block's clock, 48 MHz here, over a whole number."""
    script = f"spi = machine.SPI(0, baudrate={wish_hz})\nboard.call_ns = 0\nbefore = board.now_ps\n"
    assert bench(script + "spi.readinto(bytearray(512))\nanswer = board.now_ps - before") == pytest.approx(
        512 * 8 / actual_hz * 1e12, rel=1e-5
    )


def test_a_chip_that_is_not_selected_does_not_answer(bench):
    """The line is left to its pull-up."""
    assert bench("into = bytearray(3)\nspi.write_readinto(bytes((0xF5, 0, 0)), into)\nanswer = list(into)") == [255] * 3


def test_the_difference_of_ticks_survives_a_wrap(bench):
    """`time.ticks_diff` in MicroPython's library reference: right across a wrap, here at 2^30 µs (17.9 minutes)."""
    script = """
time.sleep(1073)
first = time.ticks_us()
time.sleep_ms(2000)
second = time.ticks_us()
answer = [first, second, time.ticks_diff(second, first), time.ticks_diff(first, second), time.ticks_add(second, -5)]
"""
    first, second, forth, back, earlier = bench(script)
    assert second < first < 2**30
    assert forth == -back == pytest.approx(2_000_000, abs=5)
    assert earlier == second - 5


def test_a_sleep_of_milliseconds_ends_up_to_one_early(bench):
    """As on the rp2 port, whose sleep_ms counts changes of the clock's milliseconds."""
    script = "board.call_ns = 0\ntime.sleep_us(300)\ntime.sleep_ms(2)\nanswer = board.ticks_us()"
    assert bench(script) == 2000


def test_the_crystals_error_is_the_clocks(bench):
    assert bench("time.sleep(100)\nanswer = board.ticks_us()", crystal_ppm=-30) == 100_000_000 - 3000


def test_an_unfed_watchdog_resets_the_board(bench):
    """machine.WDT: reset unless fed within `timeout` ms."""
    script = """
from simboard.board import Reset
dog = machine.WDT(timeout=100)
answer = []
for pause_ms in (90, 90, 110):
    try:
        time.sleep_ms(pause_ms)
        dog.feed()
        answer.append("fed")
    except Reset as reset:
        board.start(reset.cause)
        answer.append(machine.reset_cause() == machine.WDT_RESET and board.ticks_us() == 0)
"""
    assert bench(script) == ["fed", "fed", True]


def test_idle_waits_for_the_interrupt(bench):
    """In virtual time, with nothing from the host, idling ends when the 32nd sample raises INT1."""
    script = """
board._waiting = lambda timeout_ms: False  # the bench's standard input is always ready
start()
begin = chip.started_ps
while not edges:
    machine.idle()
answer = edges[0] - begin
"""
    assert bench(script) == pytest.approx(32 * 250e6, abs=250e6)


def test_an_interrupt_just_before_idling_ends_it(bench):
    """ARMv6-M architecture, WFE: an interrupt sets the event register, and with that set WFE ends at once."""
    script = """
board._waiting = lambda timeout_ms: False
start()
after(32)
now = board.now_ps
machine.idle()
answer = [len(edges), board.now_ps - now]
"""
    assert bench(script) == [1, 0]


def test_a_sending_host_does_not_let_a_box_run_ahead_of_real_time(bench):
    """The bench's standard input is always ready, as if the host had sent bytes that are not read yet."""
    script = """
for _ in range(10):
    time.sleep_ms(20)
answer = (board.now_ps // 1000 - (_host_ns() - board._began_ns)) / 1e6
"""
    ahead_ms = bench("from simboard.board import _host_ns\n" + script, realtime=True)
    assert ahead_ms <= 21


def test_a_loop_that_never_waits_does_not_run_ahead_of_real_time(bench):
    """200 polls of 1 ms for the host's bytes take 200 ms of the host's clock, except perhaps the last."""
    script = """
from simboard import select
from simboard.board import _host_ns
select.board = board
look = select.poll()
board.call_ns = 1000000
for _ in range(200):
    look.ipoll(0)
answer = (board.now_ps // 1000 - (_host_ns() - board._began_ns)) / 1e6
"""
    assert bench(script, realtime=True) <= 1


def test_the_serial_number_is_the_processors(bench):
    assert bench("answer = hexlify(machine.unique_id()).decode()", serial="e661a4d417") == "e661a4d417"


def test_an_unknown_setting_or_fault_stops_the_start(bench):
    with pytest.raises(AssertionError, match="unknown setting colour"):
        bench("answer = 0", colour=1)
    with pytest.raises(AssertionError, match="unknown fault gremlins"):
        bench("answer = 0", faults=[{"fault": "gremlins", "at_s": 0}])


@pytest.mark.parametrize(
    ("misuse", "remark"),
    [
        ("start(0x04, (0x64, 0x10))", "INT1 is dead while INT_ASYNC_RESET is 1"),
        (
            "write(0x11, 1)\ntime.sleep_us(900)\nread(0x75)",
            "it is spoken to within the millisecond that its reset takes",
        ),
        (
            "start(0x04, (0x4D, 0x91))",
            "the gyroscope's filter switching is on, so that its output sticks around 100 degrees a second",
        ),
    ],
)
def test_misuse_of_the_chip_is_reported_once_on_standard_error(bench, misuse, remark):
    """A wrong driver must be noticed: sections 14.50 and 14.1; on filter switching see the driver."""
    script = "heard = []\nfrom simboard import remarks\nremarks.print = lambda *words, file: heard.append(words[-1])\n"
    assert bench(script + misuse + "\ntime.sleep_ms(50)\nanswer = heard") == [remark]
