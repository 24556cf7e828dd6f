"""A recording has what the box sent, byte for byte, whatever happens to cable, box, disk, screen or process."""

import errno
import json
import os
import queue
import resource
import shutil
import termios
import threading
import time
from types import SimpleNamespace

import pytest
import serial
from towertap.box import recorder
from towertap.box.host_watch import CAPTURE_BYTES, CAPTURE_SHARE
from towertap.box.port import SerialBox, open_box
from towertap.box.recorder import record
from towertap.capture.conditions import Conditions, read_sidecar, sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.errors import BoxError, FileError
from towertap.wire.frames import FrameType
from towertap.wire.messages import MESSAGES, Message

COUNT = 32
"""Samples in a frame of the stand-in."""

CONDITIONS = Conditions(vehicle="minibus", part="rubber", road="quarry-lane", pass_number=1)


class _Session:
    """A recording in a thread, while the test disconnects cables."""

    def __init__(self, stand, raw_path, **options):
        self.stand, self.raw_path, self.stop = stand, raw_path, threading.Event()
        self._options = options
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        with open_box(str(self.stand.path)) as box:
            self.recording = record(box, self.raw_path, CONDITIONS, stop=self.stop, **self._options)

    def wait_for(self, condition):
        limit = time.monotonic() + 60
        while not condition():
            assert time.monotonic() < limit
            time.sleep(0.01)

    def grows(self, size=40_000):
        goal = (self.raw_path.stat().st_size if self.raw_path.exists() else 0) + size
        self.wait_for(lambda: self.raw_path.exists() and self.raw_path.stat().st_size > goal)

    def end(self):
        self.stop.set()
        return self.done()

    def done(self):
        self._thread.join(20)
        assert not self._thread.is_alive()
        return self.recording


def test_the_raw_file_is_what_the_box_sent(stand_in, tmp_path):
    stand = stand_in(realtime=False)
    with open_box(str(stand.path)) as box:
        recording = record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=20)
    assert recording.raw_path.read_bytes() == bytes(stand.sent)
    live = recording.live
    assert (recording.ended, live.seconds, live.samples, live.missing_samples) == ("complete", 20, 80_000, 0)


def test_a_recording_whose_last_frame_is_lost_is_still_complete(stand_in, tmp_path, monkeypatch):
    stand = stand_in(realtime=False)
    write = stand._write
    monkeypatch.setattr(stand, "_write", lambda data: write(data) if stand.samples != 8000 - COUNT else None)
    with open_box(str(stand.path)) as box:
        recording = record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=2)
    assert (recording.ended, recording.ending) == ("complete", "complete")
    assert (recording.live.seconds, recording.live.missing_samples) == (2, COUNT)


def test_it_stops_when_asked_and_waits_for_the_bye(stand_in, tmp_path):
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.grows()
    recording = session.end()
    assert recording.ended == "stopped by the user"
    assert recording.raw_path.read_bytes() == bytes(session.stand.sent)
    assert b'"reason": "stop"' in session.stand.sent[-120:]


def test_a_recording_is_never_overwritten(stand_in, tmp_path):
    stand = stand_in()
    (tmp_path / "a.ttraw").write_bytes(b"yesterday")
    with open_box(str(stand.path)) as box, pytest.raises(BoxError, match="never overwrites"):
        record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=1)
    assert (tmp_path / "a.ttraw").read_bytes() == b"yesterday"
    assert not stand.running


def test_the_conditions_are_on_disk_during_the_drive(stand_in, tmp_path):
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.wait_for(sidecar_path(session.raw_path).exists)
    sidecar = read_sidecar(session.raw_path)
    session.end()
    assert sidecar["conditions"] == CONDITIONS
    assert sidecar["hello"]["running"]
    assert sidecar["clock"][0]["sent_unix_s"] <= sidecar["clock"][0]["received_unix_s"]


def test_the_clocks_are_paired_from_start_to_end(stand_in, tmp_path):
    # Cristian 1989: every reading bounds the offset from one side or both; all bounds must hold the true one
    stand = stand_in()
    with open_box(str(stand.path)) as box:
        record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=2.2)
    clock = json.loads(sidecar_path(tmp_path / "a.ttraw").read_text())["clock"]
    assert len(clock) >= 4
    offset = time.time() - time.monotonic() + stand.born
    latest = [reading["received_unix_s"] - reading["clock_us"] * 1e-6 for reading in clock]
    earliest = [reading["sent_unix_s"] - reading["clock_us"] * 1e-6 for reading in (clock[0], clock[-1])]
    assert max(earliest) - 1e-3 < offset < min(latest) + 1e-3
    assert min(latest) - max(earliest) < 0.5


def test_marks_come_back_with_their_time(stand_in, tmp_path):
    marks = queue.SimpleQueue()
    session = _Session(stand_in(), tmp_path / "a.ttraw", marks=marks)
    session.grows()
    marks.put("mark 1")
    session.grows()
    marks.put("mark 1: gate")
    session.grows()
    assert session.end().live.messages["mark"] == 2
    with open_capture(decode_raw(session.raw_path, tmp_path / "a.h5")) as capture:
        assert [mark["text"].decode() for mark in capture.marks] == ["mark 1", "mark 1: gate"]
        assert 0 < capture.marks["row"][0] < capture.marks["row"][1] < capture.n_samples


def test_a_message_of_a_new_type_is_shown_as_its_table_entry_says(stand_in, tmp_path, monkeypatch):
    monkeypatch.setitem(MESSAGES, 99, Message("wheel", notice=lambda frame: f"the wheel turned {frame.text} times"))
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.grows()
    session.stand._send(99, b"7")
    session.grows()
    assert "the wheel turned 7 times" in [event.text for event in session.end().events]


def test_unplugging_the_cable_three_times_leaves_four_sound_pieces(stand_in, tmp_path):
    stand = stand_in()
    session = _Session(stand, tmp_path / "a.ttraw")
    for _ in range(3):
        session.grows()
        stand.pull_out()
        time.sleep(0.1)
        stand.plug_in()
    session.grows()
    recording = session.end()
    assert [event.text for event in recording.events].count("the port is back") == 3
    with open_capture(decode_raw(session.raw_path, tmp_path / "a.h5")) as capture:
        assert len(capture.pieces()) == 4
        assert (capture.gaps["missing"] > 0.1 * stand.rate_hz * 0.9).all()
        # the box ran on: what is there and what is missing are together all that it sampled
        assert capture.n_samples + capture.gaps["missing"].sum() == stand.samples
        assert recording.live.missing_samples == capture.gaps["missing"].sum()


def test_a_box_that_resets_is_started_again(stand_in, tmp_path):
    stand = stand_in()
    session = _Session(stand, tmp_path / "a.ttraw")
    session.grows()
    stand.reset()
    session.grows()
    recording = session.end()
    assert "the box has restarted; it is started again at the same rate" in [event.text for event in recording.events]
    with open_capture(decode_raw(session.raw_path, tmp_path / "a.h5")) as capture:
        assert capture.n_samples == recording.live.samples
        assert capture.gaps["missing"].tolist() == [-1]  # the clock was lost, so the gap's length is unknown


def test_a_box_that_falls_silent_is_greeted_and_started_again(stand_in, tmp_path):
    stand = stand_in()
    session = _Session(stand, tmp_path / "a.ttraw")
    session.grows()
    stand.running, stand.boot_id = False, "b2"  # as after a reset whose hello was lost
    session.wait_for(lambda: stand.running)
    texts = [event.text for event in session.end().events]
    assert "the box has been silent for 2 s; it is greeted" in texts


def test_an_unreadable_hello_neither_ends_nor_starts_a_recording(stand_in, tmp_path, monkeypatch):
    stand = stand_in()
    session = _Session(stand, tmp_path / "a.ttraw")
    session.grows()
    stand._send(FrameType.HELLO, b'{"serial": "e66", "odr_hz": null}')
    session.grows()
    recording = session.end()
    assert recording.ending == "stopped"
    assert any(event.text.startswith("a hello that cannot be read: ") for event in recording.events)
    monkeypatch.setattr(stand, "_hello", lambda: stand._send(FrameType.HELLO, HELLO_WITHOUT_RANGE))
    with open_box(str(stand.path)) as box, pytest.raises(FileError, match="no usable accel_range_g"):
        record(box, tmp_path / "b.ttraw", CONDITIONS, seconds=1)
    session.wait_for(lambda: not stand.running)
    assert not (tmp_path / "b.ttraw").exists()


HELLO_WITHOUT_RANGE = b'{"serial": "e66", "boot_id": "b1", "running": true, "odr_hz": 4000}'


def test_another_box_on_the_port_ends_the_recording(stand_in, tmp_path):
    stand = stand_in()
    session = _Session(stand, tmp_path / "a.ttraw")
    session.grows()
    stand.serial = "another"
    stand.reset()
    assert session.done().ended == "another box is on the port now"


def test_a_box_that_stays_away_ends_a_recording_of_given_length(stand_in, tmp_path, monkeypatch):
    monkeypatch.setattr("towertap.box.recorder.GIVE_UP_S", 0.3)
    session = _Session(stand_in(), tmp_path / "a.ttraw", seconds=1)
    session.grows(10_000)
    session.stand.pull_out()
    assert session.done().ended == "the box did not come back"


def test_an_interrupt_keeps_the_bytes_and_stops_the_box(stand_in, tmp_path):
    def interrupt(progress):
        if progress.raw_bytes > 40_000:
            raise KeyboardInterrupt

    stand = stand_in()
    with open_box(str(stand.path)) as box, pytest.raises(KeyboardInterrupt):
        record(box, tmp_path / "a.ttraw", CONDITIONS, on_progress=interrupt)
    kept = (tmp_path / "a.ttraw").read_bytes()
    assert len(kept) > 40_000
    assert bytes(stand.sent).startswith(kept)
    assert not stand.running
    assert read_sidecar(tmp_path / "a.ttraw")["ended"] == "interrupted"


def test_a_stalling_screen_or_disk_delays_nothing(stand_in, tmp_path, monkeypatch):
    stand, fsync, waited = stand_in(realtime=False), os.fsync, []

    def stall(*_):
        """Until the box has sent all it had: 500 kB, far more than a terminal holds, so somebody must be reading."""
        waited.append(stand.said_bye.wait(timeout=60))

    monkeypatch.setattr(os, "fsync", lambda file: (stall(), fsync(file)))
    monkeypatch.setattr("towertap.box.pump.SYNC_INTERVAL_S", 0.0)
    with open_box(str(stand.path)) as box:
        recording = record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=7, on_progress=stall)
    assert len(waited) > 1
    assert all(waited)
    assert recording.raw_path.read_bytes() == bytes(stand.sent)


def test_a_filling_disk_is_reported_early_and_the_recording_ends_cleanly(stand_in, tmp_path, monkeypatch):
    free = 7e7
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=free))
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.grows()
    free = CAPTURE_BYTES + 20 * (1 + CAPTURE_SHARE) * 72e3
    recording = session.done()
    assert (recording.ended, recording.ending) == ("the disk is full", "broken off")
    assert recording.events[0].text.startswith("the disk has space for only 7.9 more minutes of recording")
    assert recording.raw_path.read_bytes() == bytes(session.stand.sent)


def test_a_disk_without_space_for_the_recording_and_its_capture_is_refused_before_the_drive(
    stand_in, tmp_path, monkeypatch
):
    free = CAPTURE_BYTES + 60 * (1 + CAPTURE_SHARE) * 72e3
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=free))
    stand = stand_in()
    with open_box(str(stand.path)) as box, pytest.raises(BoxError, match="space for 60 s of recording and its capture"):
        record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=60)
    assert list(tmp_path.glob("*.ttraw")) == []
    assert not any(command["do"] == "start" for command in stand.commands)


def test_a_recording_ended_while_the_port_is_lost_is_broken_off(stand_in, tmp_path):
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.grows()
    session.stand.pull_out()
    time.sleep(1)
    recording = session.end()
    assert (recording.ended, recording.ending) == ("the port was lost; stopped by the user", "broken off")


def test_a_write_that_fails_keeps_everything_before_it(stand_in, tmp_path):
    # setrlimit(2): a write beyond RLIMIT_FSIZE fails with EFBIG, as one on a full disk does with ENOSPC
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
    try:
        stand = stand_in()
        with open_box(str(stand.path)) as box:
            recording = record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=20)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "File too large" in recording.ended
    assert recording.raw_path.read_bytes() == bytes(stand.sent[:100_000])
    assert not stand.running
    with open_capture(decode_raw(recording.raw_path, tmp_path / "a.h5")) as capture:
        assert capture.n_samples == recording.live.samples


def test_conditions_that_cannot_be_written_are_reported_once_and_kept_for_the_capture(stand_in, tmp_path, monkeypatch):
    def full(*args, **kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(recorder, "write_sidecar", full)
    with open_box(str(stand_in(realtime=False).path)) as box:
        recording = record(box, tmp_path / "a.ttraw", CONDITIONS, seconds=2)
    news = [event.text for event in recording.events]
    assert news == ["the conditions cannot be written next to the recording: No space left on device"]


def test_any_exception_from_pyserial_is_a_lost_port(stand_in, tmp_path, monkeypatch):
    """termios.error is not an OSError; pyserial raises it from tcflush and tcgetattr if the device is gone."""
    read, failures = serial.Serial.read, [termios.error(5, "Input/output error"), TypeError("fileno() returned None")]
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.grows()

    def fails_twice(port, size=1):
        if failures:
            raise failures.pop()
        return read(port, size)

    monkeypatch.setattr(serial.Serial, "read", fails_twice)
    session.wait_for(lambda: not failures)
    session.grows()
    recording = session.end()
    assert [event.text for event in recording.events].count("the port is back") >= 1
    assert recording.ended == "stopped by the user"


def test_a_recording_ends_even_if_the_reading_thread_dies(stand_in, tmp_path, monkeypatch):
    monkeypatch.setattr(threading, "excepthook", lambda args: None)
    session = _Session(stand_in(), tmp_path / "a.ttraw")
    session.grows()
    monkeypatch.setattr(
        SerialBox, "read", lambda box: b"" if threading.current_thread().name != "towertap-reader" else 1 / 0
    )
    session.wait_for(lambda: "towertap-reader" not in [thread.name for thread in threading.enumerate()])
    recording = session.end()
    assert recording.ending == "broken off"
    assert "the box has not said goodbye" in [event.text for event in recording.events]
