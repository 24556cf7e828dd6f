"""Makes the example captures: `python -m towertap.demo.examples FOLDER`."""

from __future__ import annotations

import sys
from pathlib import Path

from towertap.box.simulated import BoxSettings
from towertap.demo.drives import Drive, motions, standing
from towertap.demo.road import ROADS, Road
from towertap.demo.run import AFTER, BEFORE, record_drive

SECONDS = 4.0

DRIVES = (
    Drive(ROADS[0], BEFORE, number=1, air_temperature_c=12.0, seed=11),
    Drive(ROADS[0], AFTER, number=1, air_temperature_c=12.5, seed=12),
    Drive(ROADS[-1], BEFORE, number=1, air_temperature_c=12.0, seed=13),
)
STANDING = Drive(Road("car-park", roughness_m3=0.0, speed_kmh=0.0), BEFORE, number=1, air_temperature_c=12.0, seed=14)
DAMAGED = Drive(ROADS[0], BEFORE, number=2, air_temperature_c=12.0, seed=15)
DAMAGE: BoxSettings = {
    "faults": [
        {"fault": "fifo_overflow", "lost": 37, "at_s": 1.0},
        {"fault": "flipped_bits", "count": 3, "at_s": 2.5},
    ]
}


def make(folder: Path) -> None:
    """Record the examples into `folder`: three drives, one at rest with the engine idling, one drive with damage."""
    *sound, damaged = motions([*DRIVES, DAMAGED], SECONDS)
    for drive, motion in zip(DRIVES, sound, strict=True):
        record_drive(folder, drive, motion)
    record_drive(folder, STANDING, standing(SECONDS))
    record_drive(folder, DAMAGED, damaged, **DAMAGE)


if __name__ == "__main__":
    make(Path(sys.argv[1]))
