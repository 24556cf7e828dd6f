"""Captures imported from another recorder: its chip is unknown, and many rules cannot be checked."""

import math
from typing import Any

import msgspec
import numpy as np

from towertap.wire.layouts import STANDARD_GRAVITY_MS2, Layout, Measurand

CHIP = "not a box: another recorder"


def _layout(*quantities: str) -> Layout:
    """A layout of 32-bit counts, finer than any recorder's numbers; no box sends it."""
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
"""Layouts of three and of six axes, with ids that no frame can have."""


class Decision(msgspec.Struct, frozen=True):
    """A decision made by an import: given by the user, found in the file, or assumed."""

    how: str
    what: str


class Origin(msgspec.Struct, frozen=True):
    """Origin of an imported capture, stored in its `host` attribute as `imported`."""

    file: str
    options: dict[str, Any]
    """Options of the import; with the same file they give the same capture."""
    decisions: tuple[Decision, ...]
    range_known: bool
    """Whether clipping can be judged: the recorder's range was given, or shows as flat tops."""
    clipped: tuple[int, ...]
    """Samples at the end of the range, by axis."""
    clipped_samples: int
    """Samples with any axis at the end of its range."""


UNPROVED = {
    "rate": "true rate: taken from the file; there is no second clock to check it against",
    "rate_interval": "rate interval: at most from the recorder's own clock",
    "rate_drift": "rate drift: no second clock to check it against",
    "jitter": "jitter: the import's decisions say what it measured",
    "bad_frames": "damage in transit: the file has no check values",
    "fifo_overflows": "overflows of the recorder: its file does not count samples",
    "messages": "messages: the file has none",
    "faults": "faults of the recorder: not known",
    "dead_axis": "axes alive: the noise of the recorder's sensor is not known",
    "temperature": "temperature: not known",
    "box_load": "load: not known",
    "ending": "ending: the file does not show whether it is complete",
}
"""Rules that need what only a box sends → the text shown instead."""
NO_RANGE = "clipping: no flat top was found, and the end of the recorder's range is not known"
