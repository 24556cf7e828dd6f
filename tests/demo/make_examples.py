"""Makes the example captures: `python -m tests.demo.make_examples FOLDER`."""

import sys
from pathlib import Path

from towertap.box.simulated import BoxSettings
from towertap.demo.drives import RATE_HZ, Drive, motions
from towertap.demo.road import ROADS
from towertap.demo.run import AFTER, BEFORE, decode_and_check, record_drive

LEAD_S, SECONDS = 12.0, 10.0
"""The examples begin at target speed: the lead-in is not recorded."""

DRIVES = (
    Drive(ROADS[0], BEFORE, number=1, air_temperature_c=12.0, seed=11),
    Drive(ROADS[0], AFTER, number=1, air_temperature_c=12.5, seed=12),
    Drive(ROADS[-1], BEFORE, number=1, air_temperature_c=12.0, seed=13),
    Drive(ROADS[0], BEFORE, number=2, air_temperature_c=12.0, seed=14),
)
"""The last one is recorded with DAMAGE."""

DAMAGE: BoxSettings = {
    "faults": [
        {"fault": "fifo_overflow", "lost": 37, "at_s": 2.0},
        {"fault": "flipped_bits", "count": 3, "at_s": 5.0},
    ]
}


def make(folder: Path) -> None:
    """Record the examples into `folder` and decode them there; it must not hold them already."""
    at_speed = motions(DRIVES, LEAD_S + SECONDS)[:, round(LEAD_S * RATE_HZ) :]
    for drive, motion in zip(DRIVES, at_speed, strict=True):
        decode_and_check(record_drive(folder, drive, motion, **(DAMAGE if drive is DRIVES[-1] else {}))[0])


if __name__ == "__main__":
    make(Path(sys.argv[1]))
