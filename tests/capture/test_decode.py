"""Raw recording to capture: plain h5py reads back what was put into frames made by hand."""

import binascii
import hashlib
import json
import os
import signal
import subprocess
import sys
import time

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.capture import differences
from towertap.capture.conditions import Conditions, sidecar_path, write_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.capture.writing import BLOCK_CHUNKS
from towertap.errors import FileError

from tests.by_hand import plain_counts


def gaps_of(path):
    with open_capture(path) as capture:
        return [(row, missing, reason.decode()) for row, missing, reason, _ in capture.gaps.tolist()]


def test_plain_h5py_reads_back_the_frames(by_hand, make_capture, tmp_path):
    counts = np.random.default_rng(2).integers(-32767, 32767, (4000, 6))
    path = make_capture(by_hand.recording(1, counts=counts), conditions=Conditions(road="moor-road", pass_number=2))
    raw = (tmp_path / "drive.ttraw").read_bytes()
    with h5py.File(path) as file:
        assert np.array_equal(plain_counts(file, "acceleration"), counts[:, :3])
        assert np.array_equal(plain_counts(file, "rotation"), counts[:, 3:])
        frames = {name: np.cumsum(file["frame_differences"][name]) for name in ("row", "first_sample", "raw_offset")}
        assert frames["row"].tolist() == list(range(0, 4000, 32))
        assert frames["first_sample"].tolist() == list(range(0, 4000, 32))
        offsets = frames["raw_offset"]
        assert all(raw[offset : offset + 4] == b"\xa7\x74\x62\xd5" for offset in offsets)
        assert file.attrs["raw_sha256"].decode() == hashlib.sha256(raw).hexdigest()
        assert file.attrs["raw_bytes"] == len(raw)
        assert json.loads(file.attrs["conditions"])["road"] == "moor-road"
        assert json.loads(file.attrs["hello"]) == by_hand.hello_fields
        # ±16 g over 32768 counts, standard gravity 9.80665 m/s² (CGPM 1901); ±2000 °/s
        assert file.attrs["acceleration_scale_ms2"] == pytest.approx(9.80665 / 2048)
        assert file.attrs["rotation_scale_rads"] == pytest.approx(np.pi / 180 * 2000 / 32768)
        stored = file["acceleration_differences"]
        assert (stored.compression, stored.shuffle) == ("gzip", True)


def test_a_capture_that_exactly_fills_its_last_block_is_complete(by_hand, make_capture):
    rows = BLOCK_CHUNKS * differences.STRETCH
    counts = np.random.default_rng(3).integers(-32767, 32767, (rows, 6))
    with h5py.File(make_capture(by_hand.recording(rows / 4000, counts=counts))) as file:
        assert np.array_equal(plain_counts(file, "acceleration"), counts[:, :3])


def test_decoding_twice_gives_the_same_capture(make_capture, by_hand):
    frames = by_hand.recording(1)
    path = make_capture(frames, "first")
    with h5py.File(path) as first, h5py.File(make_capture(frames, "second")) as second:
        assert list(first) == list(second)
        assert all(np.array_equal(first[name], second[name]) for name in first)
        differing = {name for name in first.attrs if not np.array_equal(first.attrs[name], second.attrs[name])}
        assert differing == {"raw_name"}
    # HDF5 File Format Specification 3.0, IV.A.1.b: bit 5 of the flags after signature and version: times are stored
    assert not any(header[1] & 1 << 5 for header in path.read_bytes().split(b"OHDR")[1:])


def test_a_lost_frame_is_a_gap_of_exactly_its_samples(by_hand, make_capture):
    frames = by_hand.recording(1)
    del frames[51:53]
    assert gaps_of(make_capture(frames)) == [(50 * 32, 64, "link")]


def test_an_overflow_is_distinguished_from_a_lost_frame(by_hand, make_capture):
    rest = np.arange(12).reshape(4, 3)
    frames = [
        by_hand.hello(),
        by_hand.samples(rest, sequence=1, first=0, clock=1000),
        by_hand.samples(rest, sequence=2, first=41, clock=11000, flags=1),
        by_hand.samples(rest, sequence=3, first=65, clock=17000, flags=3),
        by_hand.samples(rest, sequence=4, first=69, clock=18000, flags=4),
    ]
    expected = [(4, 37, "overflow"), (8, 20, "overflow_at_least"), (12, -1, "chip_restart")]
    assert gaps_of(make_capture(frames)) == expected


def test_a_restarted_box_leaves_a_gap_of_unknown_length(by_hand, make_capture):
    frames = [*by_hand.recording(1), by_hand.hello(boot_id="beef", running=False), *by_hand.recording(1, seed=2)]
    path = make_capture(frames)
    assert gaps_of(path) == [(4000, -1, "box_restart")]
    with open_capture(path) as capture:
        first, second = capture.pieces()
        assert (first.n_rows, second.first_row, second.n_rows) == (4000, 4000, 4000)
        assert second.start_time_s == pytest.approx(1.0, rel=1e-3)
        (missing,) = [rule for rule in check(capture).rules if rule.name == "missing"]
        words = "samples missing in 1 gap: at 1.000 s (box restart); 1 gap of unknown size"
        assert (missing.ok, missing.text) == (False, words)


def test_a_restart_without_its_hello_shows_in_the_clock(by_hand, make_capture):
    assert gaps_of(make_capture(by_hand.recording(1) + by_hand.recording(0.5)[1:])) == [(4000, -1, "box_restart")]


def test_a_hello_in_the_middle_of_a_drive_is_no_gap(by_hand, make_capture):
    frames = by_hand.recording(1)
    frames.insert(20, by_hand.hello(first=19 * 32))
    assert gaps_of(make_capture(by_hand.numbered(frames))) == []


def test_last_samples_that_never_arrive_are_a_gap_at_the_end(by_hand, make_capture):
    frames = by_hand.recording(1)
    del frames[-3:-1]
    assert gaps_of(make_capture(frames)) == [(3936, 64, "link")]


def test_a_recording_that_begins_in_the_middle_begins_there(by_hand, make_capture):
    frames = by_hand.recording(1)
    assert gaps_of(make_capture(by_hand.numbered([*frames[30:60], frames[0], *frames[60:]]))) == []
    assert gaps_of(make_capture([frames[0], *frames[3:]])) == [(0, 64, "link")]


def test_marks_and_faults_are_stored_with_their_row(by_hand, make_capture):
    frames = by_hand.recording(1)
    long = "\N{SNOWMAN}" * 100
    frames.insert(11, by_hand.frame(3, b"gate", first=320, clock=81000))
    frames.insert(13, by_hand.frame(3, long.encode(), first=320, clock=89000))
    frames.insert(15, by_hand.frame(4, b'{"fault": "bus_error", "detail": "CS"}', first=400, clock=99000))
    with open_capture(make_capture(by_hand.numbered(frames))) as capture:
        assert capture.marks[0].item() == (320, 81000, b"gate")
        assert capture.marks[1]["text"].decode() == long[:66]  # 200 bytes hold 66 of three bytes each
        assert capture.faults[0].item() == (384, 99000, b"bus_error", b"CS")


def test_packets_marked_empty_by_the_chip_have_no_reading(by_hand, make_capture):
    frame = bytearray(by_hand.samples(np.ones((4, 3), int)))
    frame[36 + 16] = 0x80  # header of the second packet: FIFO was empty
    frame[-4:] = binascii.crc32(frame[:-4]).to_bytes(4, "little")
    with open_capture(make_capture([by_hand.hello(), bytes(frame)])) as capture:
        assert capture.counts("acceleration", 0, 4)[:, 0].tolist() == [1, -32768, 1, 1]


def test_conditions_come_from_the_call_or_else_from_the_sidecar(make_capture, tmp_path):
    raw = tmp_path / "drive.ttraw"
    write_sidecar(raw, Conditions(vehicle="minibus", speed_kmh=50), started_utc="2026-11-25T09:00:00Z", clock=[1])
    with open_capture(make_capture()) as capture:
        assert capture.conditions == Conditions(vehicle="minibus", speed_kmh=50.0)
        assert capture.text("started_utc") == "2026-11-25T09:00:00Z"
        assert json.loads(capture.text("host"))["clock"] == [1]
    with open_capture(make_capture(conditions=Conditions(vehicle="other"))) as capture:
        assert capture.conditions.vehicle == "other"


@pytest.mark.parametrize("text", ["", "[]", "{", '{"conditions": {"colour": 1}}', '{"conditions": 5}', "\xff"])
def test_a_broken_sidecar_gives_one_clear_line(text, tmp_path):
    raw = tmp_path / "drive.ttraw"
    raw.write_bytes(b"x")
    sidecar_path(raw).write_bytes(text.encode("latin-1"))
    with pytest.raises(FileError, match=r"drive\.conditions\.json") as failure:
        decode_raw(raw, tmp_path / "drive.h5")
    assert "\n" not in str(failure.value)


def test_anything_but_a_recording_is_refused_and_leaves_nothing_behind(by_hand, tmp_path):
    def refused(name, content, error, match):
        raw = tmp_path / name
        raw.write_bytes(content)
        with pytest.raises(error, match=match):
            decode_raw(raw, tmp_path / "out.h5")

    refused("empty.ttraw", b"", FileError, "empty")
    refused("picture.png", b"\x89PNG\r\n\x1a\n" + bytes(500), FileError, "not a raw recording")
    refused("hello.ttraw", by_hand.hello(), FileError, "no samples")
    refused("headless.ttraw", by_hand.samples(np.ones((4, 3), int)), FileError, "hello is missing")
    refused("strange.ttraw", by_hand.hello(odr_hz="fast") + by_hand.recording(0.1)[1], FileError, "odr_hz")
    two_rates = b"".join(by_hand.recording(0.1)) + by_hand.hello(odr_hz=1000)
    refused("two.ttraw", two_rates, FileError, "two.ttraw: rate or range changes during the recording")
    no_object = by_hand.frame(1, b'{"odr_hz": NaN}') + by_hand.recording(0.1)[1]
    refused("odd.ttraw", no_object, FileError, "the box's hello is not a JSON object")
    with pytest.raises(FileError, match="no such file"):
        decode_raw(tmp_path / "nothing.ttraw", tmp_path / "out.h5")
    with pytest.raises(FileError, match="folder"):
        decode_raw(tmp_path, tmp_path / "out.h5")
    assert not list(tmp_path.glob("out.h5*"))


def test_an_unreadable_hello_is_ignored_if_there_is_another(by_hand, make_capture, tmp_path):
    frames = by_hand.recording(1)
    frames.insert(20, by_hand.hello(accel_range_g=None, first=19 * 32))
    with open_capture(make_capture(by_hand.numbered(frames))) as capture:
        assert (capture.n_samples, capture.hello["accel_range_g"]) == (4000, 16)
    with pytest.raises(FileError, match=r"drive\.ttraw: the box's hello: accel_range_g must be a number, got nothing"):
        make_capture([by_hand.hello(accel_range_g=None), *by_hand.recording(1)[1:]])
    write_sidecar(tmp_path / "drive.ttraw", Conditions(), hello={"odr_hz": "fast"})
    with open_capture(make_capture(by_hand.recording(1))) as capture:
        assert capture.odr_hz == 4000


def test_an_earlier_capture_survives_a_decode_that_fails(by_hand, make_capture, tmp_path):
    path = make_capture()
    before = path.read_bytes()
    (tmp_path / "drive.ttraw").write_bytes(by_hand.hello())
    with pytest.raises(FileError):
        decode_raw(tmp_path / "drive.ttraw", path)
    assert path.read_bytes() == before


def test_a_killed_decode_leaves_no_capture_and_a_later_one_removes_its_part(by_hand, tmp_path):
    raw, path = tmp_path / "drive.ttraw", tmp_path / "drive.h5"
    by_hand.raw(raw, by_hand.recording(1))
    script = f"""
import os, signal
from pathlib import Path
from towertap.capture.decode import decode_raw
kill = lambda done, total: os.kill(os.getpid(), signal.SIGKILL)
decode_raw(Path({str(raw)!r}), Path({str(path)!r}), on_progress=kill)
"""
    assert subprocess.run([sys.executable, "-c", script]).returncode == -signal.SIGKILL
    (part,) = set(tmp_path.iterdir()) - {raw}
    assert part.name.startswith(".drive.h5.")
    decode_raw(raw, path)
    assert part.exists()  # another decode might be writing it
    hours_ago = time.time() - 7200
    os.utime(part, (hours_ago, hours_ago))
    decode_raw(raw, path)
    assert set(tmp_path.iterdir()) == {raw, path}


FULL_DISK = """
import resource, sys
from towertap.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), resource.RLIM_INFINITY))
sys.argv[1:2] = []
main()
"""


@pytest.mark.parametrize("limit", [100, 100_000, 2_700_000, 3_300_000])
def test_a_disk_without_space_for_the_capture_gives_one_line_and_leaves_nothing(limit, by_hand, tmp_path):
    """setrlimit(2): a file beyond RLIMIT_FSIZE fails with EFBIG, as one on a full disk does with ENOSPC."""
    raw = tmp_path / "drive.ttraw"
    counts = np.random.default_rng(1).integers(-32000, 32000, (240_000, 6))  # which deflate hardly compresses
    by_hand.raw(raw, by_hand.recording(counts=counts))
    command = [sys.executable, "-c", FULL_DISK, str(limit), "decode", str(raw)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"towertap: {tmp_path / 'drive.h5'}: ")
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == [raw]


def test_a_capture_takes_no_more_space_than_its_size(make_capture):
    path = make_capture()
    assert path.stat().st_size < 300_000
    assert path.stat().st_blocks * 512 < path.stat().st_size + 65_536


def test_two_concurrent_decodes_of_one_capture_do_not_clash(make_capture, tmp_path):
    alone = make_capture(name="alone")
    raw, path = alone.with_suffix(".ttraw"), tmp_path / "both.h5"
    decode_raw(raw, path, on_progress=lambda done, total: decode_raw(raw, path))
    with h5py.File(alone) as one, h5py.File(path) as other:
        assert list(one) == list(other)
        assert all(np.array_equal(one[name], other[name]) for name in one)
    assert set(tmp_path.iterdir()) == {raw, alone, path}


@pytest.mark.parametrize("start", [(2**32 - 40, 2**32 - 900, 2**32 - 10**5), (2**32 - 2, 2**53 - 900, 2**53 - 10**5)])
def test_counters_and_clock_wrap_and_grow_without_a_gap(start, by_hand, make_capture):
    frames = by_hand.recording(2, rate_hz=4052.0, start=start)
    with open_capture(make_capture(frames)) as capture:
        assert capture.gaps.tolist() == []
        sequence = capture.frames["sequence"].astype(np.int64)
        assert set(np.diff(sequence).tolist()) == {1, 1 - 2**32}
        assert capture.frames["first_sample"][0] == start[1]
        assert capture.rate_hz == pytest.approx(4052.0, rel=5e-6)
    del frames[20]
    assert gaps_of(make_capture(frames)) == [(19 * 32, 32, "link")]


def test_settings_come_from_the_start_whose_hello_may_be_only_in_the_sidecar(by_hand, make_capture, tmp_path):
    greeting, frames = by_hand.hello(running=False, odr_hz=8000), by_hand.recording(1)
    write_sidecar(tmp_path / "drive.ttraw", Conditions(), hello=by_hand.hello_fields)
    with open_capture(make_capture([greeting, *frames[1:]])) as capture:
        assert (capture.odr_hz, capture.hello) == (4000, by_hand.hello_fields)


@given(data=st.data())
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_damage_is_a_gap_of_the_samples_it_cost(by_hand, tmp_path, data):
    frames = by_hand.recording(0.5)
    lost = data.draw(st.sets(st.integers(1, len(frames) - 2), max_size=8))
    stream = b"".join(
        frame[: data.draw(st.integers(0, len(frame) - 1))] if k in lost else frame for k, frame in enumerate(frames)
    )
    raw = tmp_path / "damaged.ttraw"
    raw.write_bytes(stream)
    with open_capture(decode_raw(raw, tmp_path / "damaged.h5")) as capture:
        assert capture.n_samples == 32 * (len(frames) - 2 - len(lost))
        assert capture.gaps["missing"].sum() == 32 * len(lost)
        rebuilt = np.concatenate([np.arange(f, f + c) for f, c in capture.frames[["first_sample", "count"]].tolist()])
        whole = set(range(32 * (len(frames) - 2)))
        assert whole - set(rebuilt.tolist()) == {s for k in lost for s in range(32 * (k - 1), 32 * k)}


@given(fields=st.lists(st.tuples(*[st.integers(0, 2**64 - 1)] * 2, st.integers(0, 7)), min_size=1, max_size=6))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_counters_still_make_a_valid_capture(by_hand, tmp_path, fields):
    rows = np.ones((2, 3), int)
    stream = [by_hand.samples(rows, first=first, clock=clock, flags=flags) for first, clock, flags in fields]
    raw = tmp_path / "wild.ttraw"
    raw.write_bytes(by_hand.hello() + b"".join(stream) + by_hand.frame(6, b"{}", first=fields[0][0]))
    with open_capture(decode_raw(raw, tmp_path / "wild.h5")) as capture:
        assert sum(piece.n_rows for piece in capture.pieces()) == 2 * len(fields)
        assert not check(capture).sound
