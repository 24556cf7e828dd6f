"""The table of frames comes back unchanged: with our reader, and with plain h5py as a page says."""

import h5py
import numpy as np
from towertap.capture import schema
from towertap.capture.frame_table import FRAME, STRETCH, differences, frame_blocks, n_frames


def test_any_frames_come_back_across_stretches_and_blocks(tmp_path):
    rows = 6 * STRETCH + 5
    frames = np.frombuffer(np.random.default_rng(5).bytes(rows * FRAME.itemsize), FRAME)
    with h5py.File(tmp_path / "frames.h5", "w") as file:
        assert (n_frames(file), [len(block) for block in frame_blocks(file)]) == (0, [0])
        schema.create(file, schema.FRAMES)
        stored = file[schema.FRAMES.name]
        stored.resize(rows, axis=0)
        stored[:] = differences(frames)
        assert n_frames(file) == rows
        assert np.array_equal(np.concatenate(list(frame_blocks(file))), frames)
        for name in FRAME.names:
            steps = stored[name]
            column = [np.cumsum(steps[k : k + 4096], dtype=steps.dtype) for k in range(0, rows, 4096)]
            assert np.array_equal(np.concatenate(column), frames[name])
