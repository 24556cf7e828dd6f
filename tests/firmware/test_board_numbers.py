"""hardware_notes/board_numbers.md agrees with the firmware."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from towertap.wire.frames import OVERHEAD

PAGE = Path(__file__).parents[2] / "hardware_notes" / "board_numbers.md"
RATES_HZ = [1000, 2000, 4000, 8000]

USB_BYTES_S = 19 * 64 * 1000
"""USB 2.0 specification, table 5-9: bulk transfers at full speed, 19 packets of 64 bytes per frame of a millisecond."""


@pytest.fixture(scope="module")
def driver(on_micropython) -> dict[str, int]:
    """The driver's constants of its chip."""
    return on_micropython("""
import json, sys
sys.path.insert(0, ".")
from towertap_box.sensors.icm42688p import ICM42688P as chip
print(json.dumps({name: getattr(chip, name) for name in ("PACKET", "WATERMARK", "CAPACITY", "RATES_HZ")}))
""")


def rows(heading: str) -> list[list[float]]:
    """The numbers in the first table after a heading."""
    section = PAGE.read_text().split(f"## {heading}\n")[1]
    table = re.search(r"(?:^\|.*\n)+", section, re.MULTILINE).group().splitlines()[2:]
    return [[float(number) for number in re.findall(r"\d+(?:\.\d+)?", row)] for row in table]


def test_the_design_is_as_the_page_says(driver):
    assert sorted(driver["RATES_HZ"]) == RATES_HZ
    watermark, capacity = driver["WATERMARK"], driver["CAPACITY"]
    frame_bytes = watermark * driver["PACKET"] + OVERHEAD
    assert f"{frame_bytes} bytes" in PAGE.read_text()
    for row, rate_hz in zip(rows("By the design"), RATES_HZ, strict=True):
        frames_s = rate_hz / watermark
        expected = [
            rate_hz,
            frames_s,
            1000 / frames_s,
            frames_s * frame_bytes,
            100 * frames_s * frame_bytes / USB_BYTES_S,
            1000 * capacity / rate_hz,
            1000 * (capacity - watermark) / rate_hz,
        ]
        assert row == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("share", "loses"), [(0.9, False), (1.1, True)])
def test_the_longest_stall_loses_nothing_and_a_longer_one_does(bench, rate_hz, share, loses):
    longest_ms = next(row[-1] for row in rows("By the design") if row[0] == rate_hz)
    script = f"""
class Stalling(Box):
    def _drain(self, now):
        if self.sent == 10:
            time.sleep_us({round(share * longest_ms * 1000)})
        Box._drain(self, now)

box = started({rate_hz}, Stalling(port, port))
run(box, 30)
answer = box.lost
"""
    assert (bench(script)[1] > 0) == loses


def test_the_shares_of_the_core_are_those_of_the_frames_time(driver):
    table = rows("As measured")
    for _, frame_ms, *shares in table:
        expected = [100 * frame_ms / 1000 * rate_hz / driver["WATERMARK"] for rate_hz in RATES_HZ]
        assert shares == pytest.approx(expected, rel=0.01)
    *_, at_4_khz, at_8_khz = table[-1]
    assert at_4_khz <= 20
    assert at_8_khz <= 40


def test_the_script_that_measures_costs_finds_those_that_the_simulated_board_charges(bench):
    # Of a frame's and a port's bytes it finds nothing here: the board charges them as they go out of its port.
    script = """
from simboard import costs, measure
from simboard.board import Reset
measured = {}
measure.print = lambda *words: measured.update(x.split(" = ") for x in words if isinstance(x, str) and " = " in x)
try:
    measure.main(port)
except Reset:
    pass
answer = {name: (float(measured[name]), getattr(costs, name[:-2] + "NS") / 1000) for name in measured}
"""
    answer = bench(script)[1]
    assert len(answer) == 7
    for name in ("CALL_US", "COLLECT_US", "MEM_FREE_US", "JSON_OUT_BYTE_US", "JSON_IN_BYTE_US"):
        measured, charged = answer[name]
        assert measured == pytest.approx(charged, rel=0.15), name
