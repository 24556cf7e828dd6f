"""Reading: pieces, blocks and units of a sound capture; one clear line, without loading it, for any other file."""

import time
import zlib
from contextlib import suppress

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.analysis import analyse_capture
from towertap.capture import schema
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.errors import AnalysisError, FileError

from tests.by_hand import plain_counts, put_table

ACCELERATION, ROTATION, FRAMES = "acceleration_differences", "rotation_differences", schema.FRAMES.name


def refused(path, match):
    with pytest.raises(FileError, match=match) as failure:
        open_capture(path)
    assert str(path) in str(failure.value)
    assert "\n" not in str(failure.value)


def test_blocks_give_every_sample_once_in_ms2(by_hand, make_capture):
    frames = by_hand.recording(2)
    del frames[30]
    with open_capture(make_capture(frames)) as capture:
        pieces = capture.pieces()
        assert [(piece.first_row, piece.n_rows) for piece in pieces] == [(0, 928), (928, 7040)]
        assert pieces[1].start_time_s == pytest.approx((928 + 32) / 4000, rel=1e-4)
        blocks = [list(capture.blocks(piece, 100)) for piece in pieces]
        assert max(len(block) for piece in blocks for block in piece) == 100
        together = np.concatenate([block for piece in blocks for block in piece])
        assert together.dtype == np.float64
        # 2048 counts per g (wire format), 9.80665 m/s² (CGPM 1901)
        assert np.allclose(together, plain_counts(capture.file, "acceleration") / 2048 * 9.80665)


def test_other_files_are_refused_in_one_line(tmp_path, by_hand, make_capture):
    files = {
        "empty.h5": (b"", "empty"),
        "picture.h5": (b"\x89PNG\r\n\x1a\n" + bytes(500), "not a towertap capture"),
        "drive.ttraw": (by_hand.hello(), "decode it first: towertap decode"),
        "cut.h5": (make_capture().read_bytes()[:-1000], "cut off"),
    }
    for name, (content, match) in files.items():
        (tmp_path / name).write_bytes(content)
        refused(tmp_path / name, match)
    refused(tmp_path / "nothing.h5", "no such file")
    refused(tmp_path, "folder")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = [1.0]
    refused(tmp_path / "other.h5", "not a towertap capture")


def spoil_attribute(name, value):
    def spoil(file):
        schema.set_attributes(file, {name: value})

    return spoil


def text_of_variable_length(file):
    file.attrs["hello"] = "{}"


def a_dataset(name, **how):
    def spoil(file):
        if name in file:
            del file[name]
        file.create_dataset(name, **how)

    return spoil


def link_elsewhere(file):
    file["marks"] = h5py.ExternalLink("/etc/passwd", "/marks")


def soft_link(file):
    del file[ROTATION]
    file[ROTATION] = h5py.SoftLink(f"/{ACCELERATION}")


def group_instead(file):
    del file[FRAMES]
    file.create_group(FRAMES)


def shorter_rotation(file):
    file[ROTATION].resize(32, axis=0)


def huge_shape(file):
    for name in (ACCELERATION, ROTATION):
        file[name].resize(10**15, axis=0)


def external_data(file):
    file.create_dataset("damage", (1,), schema.DAMAGE, external=[("/etc/passwd", 0, 16)])


def virtual_data(file):
    layout = h5py.VirtualLayout((4000, 3), "<i2")
    layout[:] = h5py.VirtualSource("/etc/elsewhere.h5", ACCELERATION, (4000, 3))
    del file[ROTATION]
    file.create_virtual_dataset(ROTATION, layout)


def file_of_paths(file):
    file.create_dataset("marks", (1,), h5py.ref_dtype, maxshape=(None,))


def packed_by_a_plug_in(file):
    """The identifier of a filter that this HDF5 does not have (32015 is Zstandard's in the HDF Group's register)."""
    creation = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    creation.set_chunk((4096, 3))
    creation.set_filter(32015, h5py.h5z.FLAG_OPTIONAL, (3,))
    del file[ROTATION]
    space = h5py.h5s.create_simple((8000, 3), (h5py.h5s.UNLIMITED, 3))
    h5py.h5d.create(file.id, ROTATION.encode(), h5py.h5t.STD_I16LE, space, creation)


def inflating(file):
    """One chunk of 8 kB whose stored bytes would become 30 MB in memory."""
    a_dataset(ROTATION, shape=(8000, 3), dtype="<i2", maxshape=(None, 3), chunks=(1365, 3), compression=1)(file)
    file[ROTATION].id.write_direct_chunk((0, 0), zlib.compress(bytes(30_000_000), 9))


def endless_text(file):
    file.attrs.create("host", b"", dtype=h5py.string_dtype("utf-8", 2**25))


SPOILED = {
    "newer schema": (spoil_attribute("schema_version", "5.0"), "install a newer towertap"),
    "strange schema": (spoil_attribute("schema_version", "x"), "MAJOR.MINOR"),
    "number for a text": (spoil_attribute("hello", 5), "'hello' is not text"),
    "text in a heap": (text_of_variable_length, "'hello' is not text"),
    "array for a number": (spoil_attribute("rate_hz", [1.0, 2.0]), "'rate_hz' is not float"),
    "rate zero": (spoil_attribute("rate_hz", 0.0), "rate_hz"),
    "rate not a number": (spoil_attribute("odr_hz", float("nan")), "odr_hz"),
    "scale negative": (spoil_attribute("rotation_scale_rads", -1.0), "rotation_scale_rads"),
    "hello not JSON": (spoil_attribute("hello", "{"), "hello: not JSON"),
    "conditions wrong": (spoil_attribute("conditions", '{"pass_number": "one"}'), "conditions: pass_number"),
    "conditions no object": (spoil_attribute("conditions", "[1]"), "conditions must be an object"),
    "unknown layout": (spoil_attribute("layout", 99), "does not know"),
    "attribute missing": (lambda file: file.attrs.__delitem__("raw_sha256"), "'raw_sha256' is missing"),
    "dataset missing": (lambda file: file.__delitem__(ROTATION), f"/{ROTATION} is missing"),
    "external link": (link_elsewhere, "is a link"),
    "soft link": (soft_link, "is a link"),
    "external data": (external_data, "data in another file"),
    "virtual data": (virtual_data, "data in another file"),
    "references": (file_of_paths, "not have the type"),
    "a filter of a plug-in": (packed_by_a_plug_in, "a filter other than"),
    "a chunk that inflates": (inflating, "would inflate"),
    "a text without end": (endless_text, "'host' is not text"),
    "group": (group_instead, "not have the type"),
    "objects": (a_dataset("marks", shape=(1,), dtype=h5py.string_dtype(), maxshape=(None,)), "not have the type"),
    "floats": (
        a_dataset(ACCELERATION, data=np.zeros((4000, 3)), maxshape=(None, 3)),
        "not have the type",
    ),
    "two columns": (
        a_dataset(ROTATION, shape=(8000, 2), dtype="<i2", maxshape=(None, 2)),
        "not have the shape",
    ),
    "huge shape": (huge_shape, "more data than the file can hold"),
    "uneven": (shorter_rotation, "differ in length"),
    "huge chunk": (
        a_dataset(ROTATION, shape=(0, 3), dtype="<i2", maxshape=(None, 3), chunks=(2**24, 3)),
        "more data than",
    ),
}


@pytest.mark.parametrize("spoil", SPOILED)
def test_a_spoiled_capture_is_refused_in_one_line(spoil, make_capture):
    change, match = SPOILED[spoil]
    path = make_capture()
    with h5py.File(path, "r+") as file:
        change(file)
    refused(path, match)


def test_a_newer_minor_schema_is_read(make_capture):
    path = make_capture()
    with h5py.File(path, "r+") as file:
        newer = {"schema_version": "4.9", "conditions": '{"road": "bypass", "weather": "rain"}'}
        schema.set_attributes(file, newer)
        file["new_table"] = [1, 2, 3]
    with open_capture(path) as capture:
        assert capture.conditions.road == "bypass"


def test_gaps_out_of_order_are_refused(make_capture, by_hand):
    frames = by_hand.recording(1)
    del frames[40], frames[20]
    path = make_capture(frames)
    with h5py.File(path, "r+") as file:
        file["gaps"][:] = file["gaps"][:][::-1]
    refused(path, "gaps are out of order")


def fewer_samples(file):
    for name in (ACCELERATION, ROTATION):
        file[name].resize(100, axis=0)


def absurd_frames(file):
    steps = file[FRAMES][:]
    steps["row"][7] += 5
    file[FRAMES][:] = steps


def no_frames(file):
    del file[FRAMES]


def table(name, *rows):
    return lambda file: put_table(file, name, rows)


def gap(*row):
    return table("gaps", row)


def unlisted_gap(file):
    steps = file[FRAMES][:]
    steps["first_sample"][9] += 320
    file[FRAMES][:] = steps


def one_table_twice(file):
    del file[ROTATION]
    file[ROTATION] = file[ACCELERATION]


def marks_that_cannot_be_read(file):
    put_table(file, "marks", [(0, 0, b"gate")])
    file["marks"].id.write_direct_chunk((0,), b"this is no deflate stream")


def sixty_million_samples(file):
    """60,000,000 constant samples in 1.5 MB, as deflate compresses zeros."""
    for name in (ACCELERATION, ROTATION):
        del file[name]
        made = file.create_dataset(name, (60_000_000, 3), "<i2", maxshape=(None, 3), chunks=(2**20, 3), compression=9)
        packed = zlib.compress(bytes(2**20 * 6), 9)
        for start in range(0, 60_000_000, 2**20):
            made.id.write_direct_chunk((start, 0), packed)


def lost_messages(*numbers):
    return table("lost_messages", *((0, number, 0) for number in numbers))


def minus_seven_bytes(file):
    file.attrs["skipped_bytes"] = -7


CONTRADICTING = {
    "100 samples beside frames of 8,000": (fewer_samples, "frames do not match its samples"),
    "frames at other rows": (absurd_frames, "frames do not match"),
    "samples without frames": (no_frames, "frames do not match"),
    "a gap of minus seven": (gap(32, -7, b"link", 0), "gaps of -7 to -7 samples"),
    "a gap of nothing": (gap(32, 0, b"link", 0), "gaps of 0 to 0 samples"),
    "a gap larger than any counter": (gap(32, 2**62, b"link", 0), "gaps of"),
    "minus five messages lost": (lost_messages(-5), "runs of -5 to -5 lost messages"),
    "more messages lost than can be summed": (lost_messages(2**63 - 1, 2**63 - 1), "lost messages"),
    "minus seven bytes skipped": (minus_seven_bytes, "its skipped_bytes is -7"),
    "a gap within a frame": (gap(33, 4, b"link", 0), "samples and gaps"),
    "a gap missing from the table of gaps": (unlisted_gap, "missing from its gaps"),
    "a gap beyond the end": (gap(9000, 4, b"link", 0), "out of order"),
    "one table under two names": (one_table_twice, "has two names"),
    "marks that cannot be read": (marks_that_cannot_be_read, "/marks cannot be read"),
    "marks beyond the end": (table("marks", (9999, 0, b"gate")), "marks are out of order"),
    "sixty million samples in a megabyte": (sixty_million_samples, "no live chip"),
    "no range in the hello": (spoil_attribute("hello", '{"accel_range_g": null}'), "accel_range_g must be a number"),
    "a number of 400 digits": (spoil_attribute("conditions", '{"speed_kmh": 1' + 400 * "0" + "}"), "too large"),
}


@pytest.mark.parametrize("spoil", CONTRADICTING)
def test_contradictory_tables_are_refused_at_once_in_one_line(spoil, make_capture):
    change, match = CONTRADICTING[spoil]
    path = make_capture()
    with h5py.File(path, "r+") as file:
        change(file)
    began = time.process_time()
    refused(path, match)
    assert time.process_time() - began < 5


def test_many_gaps_are_read_quickly_up_to_the_limit_of_a_table(by_hand, make_capture, monkeypatch):
    """Frames have one sample each, and every second one is lost."""
    row = np.array([[0, 0, 2048]])
    frames = [by_hand.samples(row, first=2 * k, sequence=2 * k, clock=500 * k, fifo=1) for k in range(20_000)]
    began = time.process_time()
    with open_capture(make_capture([by_hand.hello(), *frames])) as capture:
        integrity = check(capture)
        with pytest.raises(AnalysisError, match="no stretch without gaps is long enough"):
            analyse_capture(capture, mounting="x=+X,y=+Y,z=+Z")
    assert (integrity.missing_samples, len(integrity.gaps)) == (19_999, 19_999)
    assert time.process_time() - began < 4
    monkeypatch.setattr(schema, "LARGEST_TABLE_ROWS", 19_000)
    with pytest.raises(FileError, match="more than 19,000 gaps, which no drive has"):
        make_capture([by_hand.hello(), *frames])


@given(data=st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_capture_with_flipped_bytes_never_ends_in_a_traceback(data, tmp_path, make_capture):
    source = tmp_path / "drive.h5"
    content = bytearray((source if source.exists() else make_capture()).read_bytes())
    for _ in range(data.draw(st.integers(1, 20))):
        content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(st.integers(1, 255))
    path = tmp_path / "flipped.h5"
    path.write_bytes(content[: data.draw(st.integers(len(content) // 2, len(content)))])
    with suppress(FileError), open_capture(path) as capture:
        check(capture)
        capture.pieces()
