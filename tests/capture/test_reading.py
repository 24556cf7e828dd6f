"""Reading: pieces, blocks and units of a sound capture; one clear line, and nothing loaded, for every other file."""

import zlib
from contextlib import suppress

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.capture import schema
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.errors import FileError


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
        # 2048 counts a g (wire format), 9.80665 m/s² (CGPM 1901)
        assert np.allclose(together, capture.file["acceleration"][:] / 2048 * 9.80665)


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


def replace_dataset(name, **how):
    def spoil(file):
        del file[name]
        file.create_dataset(name, **how)

    return spoil


def link_elsewhere(file):
    del file["marks"]
    file["marks"] = h5py.ExternalLink("/etc/passwd", "/marks")


def soft_link(file):
    del file["rotation"]
    file["rotation"] = h5py.SoftLink("/acceleration")


def group_instead(file):
    del file["frames"]
    file.create_group("frames")


def shorter_rotation(file):
    file["rotation"].resize(32, axis=0)


def huge_shape(file):
    for name in ("acceleration", "rotation"):
        file[name].resize(10**15, axis=0)


def external_data(file):
    del file["damage"]
    file.create_dataset("damage", (1,), schema.DAMAGE, external=[("/etc/passwd", 0, 16)])


def virtual_data(file):
    layout = h5py.VirtualLayout((4000, 3), "<i2")
    layout[:] = h5py.VirtualSource("/etc/elsewhere.h5", "acceleration", (4000, 3))
    del file["rotation"]
    file.create_virtual_dataset("rotation", layout)


def file_of_paths(file):
    del file["marks"]
    file.create_dataset("marks", (1,), h5py.ref_dtype, maxshape=(None,))


def packed_by_a_plug_in(file):
    """The identifier of a filter that this HDF5 does not have (32015 is Zstandard's in the HDF Group's register)."""
    creation = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    creation.set_chunk((4096, 3))
    creation.set_filter(32015, h5py.h5z.FLAG_OPTIONAL, (3,))
    del file["rotation"]
    space = h5py.h5s.create_simple((8000, 3), (h5py.h5s.UNLIMITED, 3))
    h5py.h5d.create(file.id, b"rotation", h5py.h5t.STD_I16LE, space, creation)


def unfolding(file):
    """One chunk of 8 kB whose stored bytes would become 30 MB in memory."""
    replace_dataset("rotation", shape=(8000, 3), dtype="<i2", maxshape=(None, 3), chunks=(1365, 3), compression=1)(file)
    file["rotation"].id.write_direct_chunk((0, 0), zlib.compress(bytes(30_000_000), 9))


def endless_text(file):
    file.attrs.create("host", b"", dtype=h5py.string_dtype("utf-8", 2**25))


SPOILED = {
    "newer schema": (spoil_attribute("schema_version", "3.0"), "install a newer towertap"),
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
    "dataset missing": (lambda file: file.__delitem__("gaps"), "/gaps is missing"),
    "external link": (link_elsewhere, "link to elsewhere"),
    "soft link": (soft_link, "link to elsewhere"),
    "external data": (external_data, "data in another file"),
    "virtual data": (virtual_data, "data in another file"),
    "references": (file_of_paths, "not of the type"),
    "a filter of a plug-in": (packed_by_a_plug_in, "another filter"),
    "a chunk that unfolds": (unfolding, "would unfold"),
    "a text without end": (endless_text, "'host' is not text"),
    "group": (group_instead, "not of the type"),
    "objects": (replace_dataset("marks", shape=(1,), dtype=h5py.string_dtype(), maxshape=(None,)), "not of the type"),
    "floats": (replace_dataset("acceleration", data=np.zeros((4000, 3)), maxshape=(None, 3)), "not of the type"),
    "two columns": (replace_dataset("rotation", shape=(8000, 2), dtype="<i2", maxshape=(None, 2)), "not of the shape"),
    "huge shape": (huge_shape, "more data than the file can hold"),
    "uneven": (shorter_rotation, "differ in length"),
    "huge chunk": (
        replace_dataset("rotation", shape=(0, 3), dtype="<i2", maxshape=(None, 3), chunks=(2**24, 3)),
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
        newer = {"schema_version": "2.9", "conditions": '{"road": "bypass", "weather": "rain"}'}
        schema.set_attributes(file, newer)
        file["new_table"] = [1, 2, 3]
    with open_capture(path) as capture:
        assert capture.conditions.road == "bypass"


def test_gaps_out_of_order_are_damage(make_capture, by_hand):
    frames = by_hand.recording(1)
    del frames[40], frames[20]
    path = make_capture(frames)
    with h5py.File(path, "r+") as file:
        file["gaps"][:] = file["gaps"][:][::-1]
    with open_capture(path) as capture, pytest.raises(FileError, match="out of order"):
        capture.pieces()


def test_tables_that_contradict_each_other_are_judged_and_not_believed(make_capture):
    path = make_capture()
    with h5py.File(path, "r+") as file:
        file["frames"].resize(0, axis=0)
        file["gaps"].resize(3, axis=0)
        file["gaps"][:] = [
            (0, -1, b"box_restart", 0),
            (5, 2**62, b"chip_restart", -1),
            (8000, -1, b"box_restart", 2**62),
        ]
    with open_capture(path) as capture:
        integrity = check(capture)
    assert not integrity.sound
    assert [gap["seconds"] for gap in integrity.gaps] == [None, None, None]


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
