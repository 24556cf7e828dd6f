"""Captures of what another recorder recorded: nothing is known of its chip, and much cannot be proved of them."""

import math
from typing import Any

import msgspec
import numpy as np

from towertap.wire.layouts import STANDARD_GRAVITY_MS2, Layout, Measurand

CHIP = "not a box: another recorder"


def _layout(*quantities: str) -> Layout:
    """Counts of 32 bits, finer than any recorder's numbers; no box sends them."""
    units = {"acceleration": STANDARD_GRAVITY_MS2, "rotation": math.radians(1)}
    return Layout(
        chip=CHIP,
        packet=np.dtype([]),
        quantities={name: Measurand(32, "", units[name], math.nan) for name in quantities},
        unpack=lambda packets: {},
        temperature_law=lambda word: np.full_like(word, np.nan, dtype=float),
        sensitivity_tolerance=math.nan,
    )


LAYOUTS_OF_OTHERS = {-1: _layout("acceleration"), -2: _layout("acceleration", "rotation")}
"""Layout ids that no frame can have: three axes, and six."""


class Decision(msgspec.Struct, frozen=True):
    """What was settled when a file was imported: told by a person, found in the file, or assumed."""

    how: str
    what: str


class Origin(msgspec.Struct, frozen=True):
    """Where an imported capture is from, as its `host` attribute keeps it under `imported`."""

    file: str
    options: dict[str, Any]
    """What the import was told; the same file and these make the same capture again."""
    decisions: tuple[Decision, ...]
    range_known: bool
    """Whether the recorder's range was told or shows in flat tops, so that clipping can be judged."""
    clipped: tuple[int, ...]
    """Samples at the end of the range, by axis."""
    clipped_samples: int
    """Samples with any axis there."""


UNPROVED = {
    "rate": "true rate: as the file has it; there is no second clock to hold it against",
    "rate_interval": "interval of the rate: by the recorder's own clock alone, if at all",
    "rate_drift": "drift of the rate: no second clock to hold it against",
    "jitter": "jitter: what the import measured stands with the import's decisions",
    "bad_frames": "damage on the way: the file has no check values",
    "fifo_overflows": "overflows of the recorder: its file does not count samples",
    "messages": "messages: a file has none",
    "faults": "faults of the recorder: not known",
    "dead_axis": "axes alive: the noise of the recorder's sensor is not known",
    "temperature": "temperature: not known",
    "box_load": "load: not known",
    "ending": "ending: the file does not tell whether it is whole",
}
"""Rules that ask what only a box tells → what is said instead of an answer."""
NO_RANGE = "clipping: no flat top was found, and where the recorder's range ends is not known"
