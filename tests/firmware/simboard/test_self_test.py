"""The chip model's self-test against the sheet's register and the equation in the maker's public drivers."""

from __future__ import annotations

import struct

import pytest

# SELF_TEST_CONFIG (70h, bank 0): bits 0–2 EN_GX/GY/GZ_ST, 3–5 EN_AX/AY/AZ_ST, 6 ACCEL_ST_POWER, in public headers
# of the chip's registers. At ±2 g and ±250 °/s a factory code c means 2620 · 1.01^(c − 1) counts.
MEANS = """
start(0x06, (0x4F, 0x66), (0x50, 0x66))
def means(enabled):
    write(0x70, enabled)
    time.sleep_ms(100)
    write(0x4B, 2)
    return collect(20)
answer = [means(0), means({})]
"""


def responses(answer: list[str]) -> list[float]:
    """Mean of the six axes with the self-test on, less the mean with it off, in counts."""
    off, on = (list(struct.iter_unpack(">x3h3h3x", bytes.fromhex(text))) for text in answer)
    return [
        sum(b) / len(b) - sum(a) / len(a) for a, b in zip(zip(*off, strict=True), zip(*on, strict=True), strict=True)
    ]


def of_code(code: int) -> float:
    return 2620 * 1.01 ** (code - 1)


@pytest.mark.parametrize(
    ("enabled", "pushed"),
    [(0x48, {0}), (0x50, {1}), (0x60, {2}), (0x01, {3}), (0x02, {4}), (0x04, {5}), (0x7F, set(range(6)))],
)
def test_each_bit_pushes_its_axis_by_the_factory_code(bench, enabled, pushed):
    codes = [20, 40, 60, 80, 100, 120]
    answers = responses(bench(MEANS.format(enabled), self_test_codes=codes, noise=0))
    expected = [of_code(code) if column in pushed else 0 for column, code in enumerate(codes)]
    assert [abs(value) for value in answers] == pytest.approx(expected, abs=1)


def test_without_its_power_bit_the_accelerometer_is_not_pushed(bench):
    assert responses(bench(MEANS.format(0x38), noise=0)) == [0] * 6


def test_a_weak_axis_responds_with_a_part_of_its_code(bench):
    weak = [{"fault": "self_test_weak", "at_s": 0, "axis": "gy", "percent": 40}]
    answers = responses(bench(MEANS.format(0x7F), self_test_codes=[50] * 6, noise=0, faults=weak))
    share = [abs(value) / of_code(50) for value in answers]
    assert share == pytest.approx([1, 1, 1, 1, 0.4, 1], abs=1e-3)


def test_the_factory_codes_are_in_banks_1_and_2_and_survive_a_reset(bench):
    """XG_ST_DATA … ZG_ST_DATA: bank 1, 5Fh to 61h; XA_ST_DATA … ZA_ST_DATA: bank 2, 3Bh to 3Dh."""
    script = """
write(0x11, 1)
time.sleep_us(1000)
write(0x76, 2)
answer = read(0x3B, 3)
write(0x76, 1)
answer += read(0x5F, 3)
"""
    assert bench(script, self_test_codes=[1, 2, 3, 4, 5, 6]) == [1, 2, 3, 4, 5, 6]
