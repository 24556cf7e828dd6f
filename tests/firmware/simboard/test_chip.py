"""The model of the ICM-42688-P against hand-written facts of its data sheet, TDK InvenSense DS-000347."""

from __future__ import annotations

import struct
from itertools import pairwise

import pytest

# Section 13, register maps, column "reset value": bank → register → value.
RESET_VALUES = {
    0: {
        0x13: 0x05, 0x14: 0x00, 0x16: 0x00, 0x4C: 0x30, 0x4D: 0x91, 0x4E: 0x00, 0x4F: 0x06, 0x50: 0x06, 0x51: 0x16,
        0x52: 0x11, 0x53: 0x0D, 0x54: 0x23, 0x56: 0x82, 0x5F: 0x00, 0x60: 0x00, 0x61: 0x00, 0x62: 0x10, 0x63: 0x00,
        0x64: 0x10, 0x65: 0x10, 0x75: 0x47,
    },
    1: {0x03: 0x80, 0x0B: 0xA0, 0x0C: 0x0D, 0x0D: 0xAA, 0x0E: 0x80, 0x13: 0x11, 0x7A: 0x83, 0x7C: 0x5F},
    2: {0x03: 0x30, 0x04: 0x40, 0x05: 0x62},
    4: {0x40: 0xA2, 0x41: 0x85, 0x42: 0x51, 0x43: 0xA4, 0x44: 0x8C, 0x45: 0x5C, 0x46: 0x45, 0x47: 0x5B},
}  # fmt: skip


def packets(text: str) -> list[tuple[int, ...]]:
    """Section 6.1, structure 3: header, acceleration, rotation, temperature, time stamp; big-endian."""
    return list(struct.iter_unpack(">B3h3hbH", bytes.fromhex(text)))


@pytest.mark.parametrize("number", RESET_VALUES)
def test_registers_read_their_reset_values(bench, number):
    registers = list(RESET_VALUES[number])
    answer = bench(f"write(0x76, {number})\nanswer = [read(register)[0] for register in {registers}]")
    assert dict(zip(registers, answer, strict=True)) == RESET_VALUES[number]


def test_a_register_is_read_by_bit_7_and_a_burst_goes_on_to_the_next(bench):
    """Section 9.6, SPI: the first bit is 1 for a read, then seven address bits."""
    assert bench("write(0x5F, 3)\nwrite(0x60, 0x44)\nanswer = read(0x5F, 3)") == [0x03, 0x44, 0x00]


def test_a_write_takes_one_byte_and_leaves_read_only_registers_alone(bench):
    """Section 9.6: single writes; section 13: WHO_AM_I and FIFO_COUNTH are of type R, 12h is no register."""
    script = "write(0x60, 1, 2)\nwrite(0x75, 0)\nwrite(0x2E, 9)\nwrite(0x12, 9)\n"
    assert bench(script + "answer = read(0x60, 2) + read(0x75) + read(0x2E) + read(0x12)") == [1, 0, 0x47, 0, 0]


def test_banks_hide_each_other_and_bank_select_is_in_all(bench):
    """Section 14.59, REG_BANK_SEL (76h)."""
    script = "answer = []\nfor n in (1, 2, 3, 4, 0):\n    write(0x76, n)\n    answer.append(read(0x76)[0])\n"
    assert bench(script + "    answer.append(read(0x75)[0])") == [1, 0, 2, 0, 3, 0, 4, 0, 0, 0x47]


def test_a_soft_reset_takes_a_millisecond_and_sets_reset_done(bench):
    """Section 14.1, DEVICE_CONFIG: wait 1 ms; section 14.21, INT_STATUS bit 4 RESET_DONE_INT, cleared by reading."""
    script = """
write(0x60, 77)
read(0x2D)
write(0x11, 1)
answer = read(0x75)
time.sleep_us(1000)
answer += read(0x75) + read(0x60) + read(0x2D) + read(0x2D)
"""
    assert bench(script) == [0x00, 0x47, 0, 0x10, 0x00]


def test_no_write_is_taken_within_200_us_of_switching_a_sensor_on(bench):
    """Section 14.36, PWR_MGMT0."""
    assert bench("write(0x4E, 15)\nwrite(0x60, 5)\ntime.sleep_us(200)\nwrite(0x61, 1)\nanswer = read(0x60, 2)") == [
        0,
        1,
    ]


def test_packets_have_16_bytes_and_a_header_for_their_content(bench):
    """Section 6.1: header bits 6, 5 sensors, 3–2 = 10 time stamp; section 14.42: stamps of 1 µs, here every 250."""
    samples = packets(bench("start()\nanswer = collect(64)"))
    assert {packet[0] for packet in samples} == {0x68}
    assert {(b[8] - a[8]) % 65536 for a, b in pairwise(samples)} == {250}
    assert all(abs(packet[3] - 2048) < 60 for packet in samples)  # 1 g at ±16 g: 2048 counts (table 2)


def test_the_header_marks_the_first_packet_after_a_change_of_rate(bench):
    """Section 6.1, header bits 1 and 0."""
    script = "start()\ncollect(4)\nwrite(0x4F, 5)\nwrite(0x50, 5)\nwrite(0x4B, 2)\nanswer = collect(3)"
    assert [packet[0] for packet in packets(bench(script))] == [0x6B, 0x68, 0x68]


def test_samples_of_the_start_up_time_are_invalid(bench):
    """Tables 1 and 2: 30 ms for the gyroscope, 10 ms for the accelerometer; −32768 is no sample (section 14.34)."""
    script = "start()\nwrite(0x16, 0)\nwrite(0x4E, 0)\nwrite(0x4E, 15)\ntime.sleep_us(300)\nwrite(0x16, 0x40)\n"
    samples = packets(bench(script + "answer = collect(160)"))
    no_acceleration = [packet[1:4] == (-32768,) * 3 for packet in samples]
    no_rotation = [packet[4:7] == (-32768,) * 3 for packet in samples]
    assert no_acceleration == sorted(no_acceleration, reverse=True)
    assert no_rotation == sorted(no_rotation, reverse=True)
    assert abs(sum(no_acceleration) - 40) <= 2  # at 4 kHz
    assert abs(sum(no_rotation) - 120) <= 2


@pytest.mark.parametrize(
    ("setting", "expected"), [(0x70, [0, 10]), (0x30, [0, 160]), (0x50, [10, 0]), (0x10, [160, 0])]
)
def test_the_fifo_count_is_in_records_or_bytes_high_or_low_byte_first(bench, setting, expected):
    """Section 14.34, INTF_CONFIG0: bit 6 FIFO_COUNT_REC, bit 5 FIFO_COUNT_ENDIAN."""
    assert bench(f"start()\nwrite(0x4C, {setting})\ntime.sleep_us(2510)\nanswer = read(0x2E, 2)") == expected


def test_little_endian_data_on_request(bench):
    """Section 14.34, INTF_CONFIG0: bit 4 SENSOR_DATA_ENDIAN."""
    data = bytes.fromhex(bench("start(4, (0x4C, 0x60))\nanswer = collect(1)", noise=0))
    assert struct.unpack("<3h", data[1:7]) == (0, 0, 2048)


def test_an_empty_fifo_reads_ff_and_a_partly_read_packet_comes_again(bench):
    """Section 14.24, FIFO_DATA; section 14.45, FIFO_CONFIG1 bit 6 FIFO_RESUME_PARTIAL_RD."""
    script = """
start(0x06)
time.sleep_us(1010)
part = read(0x30, 5)
again = read(0x30, 16)
answer = [part == again[:5], read(0x30, 2), level()]
"""
    assert bench(script) == [True, [255, 255], 0]
    resumed = "start(0x06, (0x5F, 0x43))\ntime.sleep_us(1010)\nanswer = read(0x30, 1) + [len(read(0x30, 15)), level()]"
    assert bench(resumed) == [0x68, 15, 0]


@pytest.mark.parametrize(("mode", "oldest"), [(0x40, 37), (0x80, 0)])
def test_stream_mode_drops_the_oldest_and_stop_on_full_the_newest(bench, mode, oldest):
    """Sections 6 and 14.4: 2048 bytes are 128 packets; FIFO_CONFIG 01 stream, 1x stop on full; FIFO_LOST_PKT counts."""
    script = f"start(0x04, mode={mode})\nafter(165)\nanswer = [level(), read(0x6C, 2), read(0x30, 16)]"
    level, lost, data = bench(script)
    first = packets(bench("start(0x04)\nanswer = collect(1)"))[0]
    assert (level, lost) == (128, [37, 0])
    assert (packets(bytes(data).hex())[0][8] - first[8]) % 65536 == 250 * oldest


def test_full_is_set_at_128_packets_even_if_none_is_lost(bench):
    """Section 14.21, INT_STATUS bit 1 FIFO_FULL_INT."""
    script = "start()\nread(0x2D)\nafter(127)\nbefore = read(0x2D)[0] & 2\nafter(1)\n"
    assert bench(script + "answer = [before, read(0x2D)[0] & 2, read(0x6C), level()]") == [0, 2, [0], 128]


def test_the_watermark_interrupt_comes_once_or_at_every_sample(bench):
    """Section 14.46: fires once on reaching it; section 14.45, FIFO_WM_GT_TH: at every sample beyond it."""
    script = "start(0x04, (0x5F, {}))\nafter(31)\nbefore = len(edges)\n"
    script += "for _ in range(9):\n    after(1)\nanswer = [before, len(edges)]"
    assert bench(script.format(0x03)) == [0, 1]
    assert bench(script.format(0x23)) == [0, 9]


def test_the_status_bit_shows_the_watermark_and_reading_clears_it(bench):
    """Section 14.21, INT_STATUS bit 2 FIFO_THS_INT."""
    assert bench("start()\ntime.sleep_us(8050)\nanswer = [read(0x2D)[0] & 4, read(0x2D)[0] & 4]") == [4, 0]


def test_a_latched_interrupt_holds_the_pin_until_the_status_is_read(bench):
    """Section 14.3, INT_CONFIG bit 2 latched, bit 0 active high; section 14.49, cleared by reading the status."""
    script = "start(0x04, (0x14, 0x07))\nbefore = int1()\ntime.sleep_us(8050)\nduring = int1()\nread(0x2D)\n"
    assert bench(script + "answer = [before, during, int1()]") == [0, 1, 0]


def test_int1_is_dead_until_the_async_reset_bit_is_cleared(bench):
    """Section 14.50, INT_CONFIG1 bit 4: must be 0 for INT1 and INT2 to work; bits 6, 5 must be 1 from 4 kHz up."""
    run = "time.sleep_us(20000)\nanswer = len(edges)"
    assert bench("start(0x04, (0x64, 0x70))\n" + run) == 0
    assert bench("start(0x04, (0x64, 0x00))\n" + run) == 0
    assert bench("start(0x06, (0x64, 0x00), (0x60, 8))\n" + run) == 1


@pytest.mark.parametrize("celsius", [-20.0, 25.0, 61.5])
def test_temperature_by_register_and_by_packet(bench, celsius):
    """Section 4.13: TEMP_DATA / 132.48 + 25; section 6.1: the FIFO's / 2.07 + 25."""
    register, data = bench("start()\nanswer = [read(0x1D, 2), collect(1)]", temperature_c=celsius)
    assert struct.unpack(">h", bytes(register))[0] / 132.48 + 25 == pytest.approx(celsius, abs=1 / 132)
    assert packets(data)[0][7] / 2.07 + 25 == pytest.approx(celsius, abs=1 / 2)


def test_sense_registers_are_invalid_at_first_and_then_follow(bench):
    """Section 13: ACCEL_DATA_X1 … reset to 8000h; section 14.7 ff."""
    first, then = bench("first = read(0x1F, 6)\nstart()\nafter(2)\nanswer = [first, read(0x1F, 6)]", noise=0)
    assert first == [0x80, 0x00] * 3
    assert struct.unpack(">3h", bytes(then)) == (0, 0, 2048)


@pytest.mark.parametrize(("code", "range_g"), [(0, 16), (1, 8), (2, 4), (3, 2)])
def test_accelerometer_ranges(bench, code, range_g):
    """Section 14.38, ACCEL_CONFIG0 bits 7–5; sensitivity of table 2."""
    data = bench(f"start(0x04, (0x50, {code << 5 | 4}))\nanswer = collect(1)", noise=0)
    assert packets(data)[0][3] == 32768 // range_g


@pytest.mark.parametrize(("code", "range_dps"), [(0, 2000), (1, 1000), (4, 125), (7, 15.625)])
def test_gyroscope_ranges(bench, code, range_dps, tmp_path):
    """Section 14.37, GYRO_CONFIG0 bits 7–5; table 1. The motion turns with 10 degrees a second."""
    motion = tmp_path / "motion"
    motion.write_bytes(struct.pack("<6i", 0, 0, 9806650, 0, 0, 174533) * 100)
    data = bench(f"start(0x04, (0x4F, {code << 5 | 4}))\nanswer = collect(2)", noise=0, signal=str(motion), repeat=True)
    assert packets(data)[1][6] == round(10 / range_dps * 32768)


@pytest.mark.parametrize("fault", ["start(0x04, (0x5F, 0x13))", "start(0x0B)", "start(0x04, (0x50, 0x05))"])
def test_settings_that_are_not_modelled_are_refused(bench, fault):
    """20-bit packets, 12.5 Hz, two rates: never a wrong answer instead."""
    script = (
        f"try:\n    {fault}\n    answer = 'accepted'\nexcept NotImplementedError as error:\n    answer = str(error)"
    )
    assert "is not modelled" in bench(script)


@pytest.mark.parametrize("bus", ["baudrate=25000000", "polarity=1, phase=0", "firstbit=1"])
def test_a_bus_that_the_chip_does_not_support_is_refused(bench, bus):
    """SPI timing: 24 MHz at most; section 9.6: MSB first, modes 0 and 3."""
    script = f"try:\n    machine.SPI(0, {bus})\nexcept ValueError as error:\n    answer = str(error)"
    assert "24 MHz" in bench(script)


def test_sampling_and_draining_need_no_heap(bench):
    """So that the firmware's claim can be tested on this board."""
    script = """
import gc, micropython
start()
into, command = bytearray(512), bytes((0xB0,))
def turn():
    board.idle()
    select(0)
    spi.write(command)
    spi.readinto(into)
    select(1)
int1.irq(lambda pin: None, machine.Pin.IRQ_RISING)
turn()
micropython.heap_lock()
for _ in range(200):
    turn()
micropython.heap_unlock()
answer = board.now_ps > 0
"""
    assert bench(script)
