"""Invented drives as real captures: frames built by hand, decoded, loaded and compared, once for the whole room."""

import numpy as np
import pytest
from matplotlib import rc_context
from towertap.capture.conditions import Conditions
from towertap.capture.decode import decode_raw
from towertap.compare.comparison import compare
from towertap.compare.drives.folder import load_passes
from towertap.drawing.style import RC

HOSTILE = """<script>alert("x")</script> & "bus" '$\\frac{'"""
"""A vehicle name that would break a page that does not escape, a figure that reads mathematics."""

RATE_HZ, SECONDS = 1000, 10.0
LEVELS = {("bypass", 0): 30, ("bypass", 1): 30, ("quarry-lane", 0): 120, ("quarry-lane", 1): 260}
"""Road and side → standard deviation of the vertical acceleration in counts."""


@pytest.fixture(scope="session")
def drives(tmp_path_factory, by_hand):
    """Three passes of each part over a smooth and a rough road; after is twice as rough on the rough road."""
    folder = tmp_path_factory.mktemp("drives")
    rng = np.random.default_rng(7)
    for (road, side), level in LEVELS.items():
        for number in (1, 2, 3):
            part = ("rubber", "polyurethane")[side]
            name = f"{road}-{part}-{number}"
            raw = folder / f"{name}.ttraw"
            raw.write_bytes(
                b"".join(by_hand.recording(SECONDS, rate_hz=RATE_HZ, odr_hz=RATE_HZ, counts=_counts(rng, level)))
            )
            conditions = Conditions(
                HOSTILE, part, road, number, 40.0, "250, 250, 300, 300", 12.0, "left", "x=+X,y=+Y,z=+Z"
            )
            decode_raw(raw, folder / f"{name}.h5", conditions)
    return load_passes(folder, "rubber", "polyurethane", "bypass")


@pytest.fixture(scope="session")
def comparison(drives):
    """What compare says of them."""
    return compare(drives)


@pytest.fixture
def styled():
    """The figures' own settings, as the report uses them."""
    with rc_context(RC):
        yield


def _counts(rng: np.random.Generator, level: float) -> np.ndarray:
    """A drive of white noise on z that swells and fades, whose level strays by 3 % from pass to pass."""
    rows = int(SECONDS * RATE_HZ)
    spread = np.tile([5.0, 5.0, level * np.exp(0.03 * rng.standard_normal()), 5.0, 5.0, 5.0], (rows, 1))
    spread[:, 2] *= 1 + 0.3 * np.sin(np.arange(rows) / 700)
    return np.rint(rng.normal([0, 0, 2048, 0, 0, 0], spread)).astype(int)
