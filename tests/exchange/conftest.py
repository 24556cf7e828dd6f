"""The example captures in a writable folder, and their samples computed without the package."""

import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import h5py
import numpy as np
import pytest
from towertap.capture.reading import open_capture
from towertap.exchange.imports import import_file
from towertap.exchange.imports.form import ImportOptions

from tests.by_hand import plain_counts

EXAMPLES = Path(__file__).parents[2] / "example_captures"
WHOLE, DAMAGED = "quarry-lane_rubber-bush_pass01", "quarry-lane_rubber-bush_pass02"
"""The second has two gaps."""
IN_VEHICLE = np.array([[0, 1, 0], [-1, 0, 0], [0, 0, 1]])
"""x=+Y,y=-X,z=+Z, as in example_captures/README.md."""


@pytest.fixture
def examples(tmp_path):
    """The example captures, copied."""
    folder = tmp_path / "examples"
    shutil.copytree(EXAMPLES, folder)
    return folder


def by_plain_h5py(name):
    """Counts, scales, times and values of an example, from h5py, the scales and the mounting."""
    with h5py.File(EXAMPLES / f"{name}.h5") as file:
        counts = {quantity: plain_counts(file, quantity) for quantity in ("acceleration", "rotation")}
        scales = {
            "acceleration": file.attrs["acceleration_scale_ms2"],
            "rotation": file.attrs["rotation_scale_rads"],
        }
        rate_hz = float(file.attrs["rate_hz"])
        gaps = [(int(row), int(missing)) for row, missing, *_ in file.get("gaps", ())]
        conditions = json.loads(bytes(file.attrs["conditions"]))
    row = np.arange(len(counts["acceleration"]))
    late = sum(missing * (row >= at) for at, missing in gaps)
    vehicle = np.hstack([counts[quantity] * scales[quantity] @ IN_VEHICLE.T for quantity in counts])
    chip = np.hstack([counts[quantity] * scales[quantity] for quantity in counts])
    return SimpleNamespace(
        counts=np.hstack([*counts.values()]).astype(float),
        vehicle=vehicle,
        chip=chip,
        time_s=(row + late) / rate_hz,
        rate_hz=rate_hz,
        gaps=gaps,
        conditions=conditions,
        scales=scales,
    )


@pytest.fixture(scope="session")
def plain():
    """The damaged example."""
    return by_plain_h5py(DAMAGED)


@pytest.fixture
def bring_in(tmp_path):
    """A function that imports a file of given content with options, and returns the open capture."""
    opened = []

    def bring(content, suffix=".csv", given=None, **options):
        path = tmp_path / f"recorded{suffix}"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        (tmp_path / "recorded.h5").unlink(missing_ok=True)
        import_file(path, tmp_path / "recorded.h5", ImportOptions(**options), given)
        opened.append(open_capture(tmp_path / "recorded.h5"))
        return opened[-1]

    yield bring
    for capture in opened:
        capture.close()
