"""Stored counts come back unchanged, with the reader and with the page's few lines of plain h5py."""

import re
import textwrap
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.capture import differences, schema
from towertap.capture.reading import open_capture
from towertap.errors import FileError

from tests.by_hand import plain_counts

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "example_captures" / "quarry-lane_rubber-bush_pass01.h5"
PAGE = (ROOT / "hardware_notes" / "formats.md").read_text("utf-8")
RECIPE = textwrap.dedent(re.search(r"\n    import h5py.*?\n(?=\S)", PAGE, re.DOTALL)[0])


def stored(path, counts):
    """A file with only counts, as a capture stores them."""
    with h5py.File(path, "w") as file:
        entry = schema.Dataset("acceleration_differences", counts.dtype, "", 3, differences.STRETCH, True)
        schema.create(file, entry)
        file[entry.name].resize(len(counts), axis=0)
        differences.write(file[entry.name], 0, counts.T)
    return path


@given(data=st.data())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_counts_come_back_complete_and_in_part(data, tmp_path):
    dtype = np.dtype(data.draw(st.sampled_from(["<i2", "<i4"])))
    rows = data.draw(st.sampled_from([1, 2, 16383, 16384, 16385, 40_000]))
    highest = data.draw(st.sampled_from([0, 3, 300, np.iinfo(dtype).max]))
    rng = np.random.default_rng(data.draw(st.integers(0, 99)))
    counts = rng.integers(-highest - 1, highest, (rows, 3), dtype, endpoint=True)
    start, stop = sorted(data.draw(st.tuples(*[st.integers(0, rows)] * 2)))
    with h5py.File(stored(tmp_path / "counts.h5", counts)) as file:
        assert np.array_equal(plain_counts(file, "acceleration"), counts)
        part = differences.Counts(file["acceleration_differences"]).rows(start, stop)
    assert part.dtype == dtype
    assert np.array_equal(part.T, counts[start:stop])


def test_the_code_on_the_page_gives_the_same_as_the_reader():
    place = {}
    exec(RECIPE.replace('"drive.h5"', f'"{EXAMPLE}"'), place)
    with open_capture(EXAMPLE) as capture:
        assert np.array_equal(place["counts"], capture.counts("acceleration", 0, capture.n_samples))


@pytest.mark.parametrize("how", [{}, {"compression": 9}, {"compression": 1, "shuffle": True, "fletcher32": True}])
def test_a_capture_recompressed_by_another_tool_is_read(how, make_capture):
    path = make_capture()
    with open_capture(path) as capture:
        counts = capture.counts("rotation", 0, capture.n_samples)
    with h5py.File(path, "r+") as file:
        content = file["rotation_differences"][:]
        del file["rotation_differences"]
        file.create_dataset("rotation_differences", data=content, maxshape=(None, 3), chunks=(1000, 3), **how)
    with open_capture(path) as capture:
        assert np.array_equal(capture.counts("rotation", 100, 7000), counts[100:7000])


def test_a_chunk_stored_without_deflate_can_be_read(make_capture):
    """HDF5 can skip filters of a chunk, and stores which: here the second, deflate."""
    path, noise = make_capture(), np.random.default_rng(1).integers(0, 256, 32_768, np.uint8)
    with h5py.File(path, "r+") as file:
        file["rotation_differences"].id.write_direct_chunk((0, 1), noise.tobytes(), filter_mask=2)
    with open_capture(path) as capture, h5py.File(path) as file:
        assert np.array_equal(capture.counts("rotation", 0, 8000), plain_counts(file, "rotation"))


def test_a_flipped_bit_in_compressed_counts_gives_one_line(make_capture, tmp_path):
    """Deflate's stream ends with the Adler-32 of its content (RFC 1950)."""
    path = make_capture()
    with h5py.File(path) as file:
        chunk = file["rotation_differences"].id.get_chunk_info(1)
    content, damaged = path.read_bytes(), tmp_path / "damaged.h5"
    for place in np.linspace(0, chunk.size - 1, 50).astype(int):
        flipped = bytearray(content)
        flipped[chunk.byte_offset + place] ^= 1 << place % 8
        damaged.write_bytes(flipped)
        with open_capture(damaged) as capture, pytest.raises(FileError, match="/rotation cannot be read") as failure:
            capture.counts("rotation", 0, 8000)
        assert "\n" not in str(failure.value)


def test_a_missing_or_short_chunk_gives_one_line(make_capture):
    """HDF5 returns zeros for a missing chunk, and whatever is in memory after one that is too short."""
    whole = make_capture()
    for damage in ("missing", "short"):
        path = whole.with_name(f"{damage}.h5")
        path.write_bytes(whole.read_bytes())
        with h5py.File(path, "r+") as file:
            dataset = file["rotation_differences"]
            if damage == "missing":
                dataset.resize(len(dataset) + differences.STRETCH, axis=0)
            else:
                dataset.id.write_direct_chunk((0, 0), bytes(100), filter_mask=2)
        with pytest.raises(FileError, match="/rotation_differences is incomplete") as failure:
            open_capture(path)
        assert "\n" not in str(failure.value)
