"""Each way that a port or a box can fail has its own line, and a box is found by greeting."""

import errno
import grp
import os
from types import SimpleNamespace

import pytest
import serial
from serial.tools import list_ports
from towertap.box.diagnosis import why_not_open
from towertap.box.port import LONGEST_MARK, open_box
from towertap.errors import BoxError
from towertap.wire.frames import FrameType


def _ports(monkeypatch, *devices):
    infos = [SimpleNamespace(device=device, serial_number=None) for device in devices]
    monkeypatch.setattr(list_ports, "comports", lambda: infos)


def test_hello_is_read_from_the_box(stand_in):
    with open_box(str(stand_in().path)) as box:
        assert box.identity["serial"] == "e66"


def test_a_box_that_knows_no_self_test_or_gives_none_is_told(stand_in):
    with open_box(str(stand_in().path)) as box:
        with pytest.raises(BoxError, match="has no self-test; update it"):
            box.self_test()
        box.identity["commands"] = ["self_test"]
        with pytest.raises(BoxError, match="does not say why"):
            box.self_test()


def test_a_missing_port_is_named(monkeypatch):
    _ports(monkeypatch, "/dev/ttyACM7")
    with pytest.raises(BoxError, match=r"/dev/nothing: no such port; plug the box in .*ports: /dev/ttyACM7"):
        open_box("/dev/nothing")


def test_a_silent_port_is_distinguished_from_a_wrong_device(talker):
    with pytest.raises(BoxError, match="nothing answers"):
        open_box(talker(b""), timeout_s=1.0)
    with pytest.raises(BoxError, match=r"not a towertap box \(it sent b'GPGGA"):
        open_box(talker(b"GPGGA,1,2,3\r\n"), timeout_s=1.0)


def test_a_board_without_the_firmware_is_recognised(talker):
    # MicroPython's prompt, as its REPL documentation shows it
    with pytest.raises(BoxError, match="without towertap's firmware: install it with 'towertap flash'"):
        open_box(talker(b'>>> {"do":"hello"}\r\n'), timeout_s=1.0)


def test_an_unknown_wire_version_is_refused(talker, by_hand):
    # hardware_notes/wire_format.md: the version is the byte at offset 4
    frame = bytearray(by_hand.frame(FrameType.HELLO, b"{}"))
    frame[4] = 2
    with pytest.raises(BoxError, match="wire version 2, this towertap 1"):
        open_box(talker(bytes(frame)), timeout_s=1.0)


def test_an_incomplete_hello_is_refused(stand_in, monkeypatch):
    stand = stand_in()
    monkeypatch.setattr(stand, "_hello", lambda: stand._send(FrameType.HELLO, b'{"serial": "e66"}'))
    with pytest.raises(BoxError, match="lacks boot_id, odr_hz, running"):
        open_box(str(stand.path))


def test_a_box_that_sends_but_does_not_answer_is_told_from_a_wrong_device(talker, by_hand):
    with pytest.raises(BoxError, match="a box is sending but did not answer"):
        open_box(talker(by_hand.frame(FrameType.STATUS, b"{}")), timeout_s=1.0)


def test_without_permission_the_group_to_join_is_named(monkeypatch):
    # open(2): EACCES; on Debian the group of serial ports is dialout (Debian wiki, SystemGroups), gid 20 in base-passwd
    def refuse(*args, **options):
        raise serial.SerialException(errno.EACCES, "could not open port")

    monkeypatch.setattr(serial, "Serial", refuse)
    monkeypatch.setattr(os, "stat", lambda path: SimpleNamespace(st_gid=20, st_mode=0o020660))
    monkeypatch.setattr(grp, "getgrgid", lambda gid: SimpleNamespace(gr_name={20: "dialout"}[gid]))
    with pytest.raises(BoxError, match=r"no permission to open it; join .* 'sudo usermod -aG dialout \$USER'"):
        open_box("/dev/ttyACM0")


def test_a_group_without_rights_is_not_recommended(monkeypatch):
    monkeypatch.setattr(os, "stat", lambda path: SimpleNamespace(st_gid=0, st_mode=0o020600))
    line = why_not_open("/dev/ttyACM0", PermissionError(errno.EACCES, "denied"), [])
    assert "udev rule" in line
    assert "usermod" not in line


def test_a_second_recorder_on_a_port_is_refused(stand_in):
    port = str(stand_in().path)
    with open_box(port), pytest.raises(BoxError, match="in use by another program, perhaps a second recorder"):
        open_box(port)


def test_a_file_is_not_a_port(tmp_path):
    file = tmp_path / "notes.txt"
    file.write_text("no port")
    with pytest.raises(BoxError, match=r"notes\.txt: not a serial port; plug the box in or give another --port"):
        open_box(str(file))


def test_the_box_is_found_among_other_devices(monkeypatch, stand_in, talker):
    port = str(stand_in().path)
    _ports(monkeypatch, talker(b""), port, talker(b"OK\r\n"))
    with open_box(timeout_s=1.0) as box:
        assert box.port == port


def test_two_boxes_are_not_chosen_between(monkeypatch, stand_in):
    ports = [str(stand_in().path), str(stand_in().path)]
    _ports(monkeypatch, *ports)
    with pytest.raises(BoxError, match="more than one box found, choose one with --port"):
        open_box()
    open_box(ports[0]).close()  # the ones not chosen are free again


def test_no_port_at_all_and_no_box_on_any(monkeypatch, talker):
    _ports(monkeypatch)
    with pytest.raises(BoxError, match="no serial port found"):
        open_box()
    _ports(monkeypatch, talker(b""))
    with pytest.raises(BoxError, match=r"no box found; .*nothing answers"):
        open_box(timeout_s=1.0)


def test_a_box_left_running_is_stopped_first(stand_in):
    stand = stand_in()
    with open_box(str(stand.path)) as box:
        box.start(4000)
    assert stand.running
    with open_box(str(stand.path)) as box:
        assert not box.identity["running"]


def test_a_fault_at_start_is_reported(stand_in):
    stand = stand_in()
    stand.start_fault = "wrong_identity"
    with (
        open_box(str(stand.path)) as box,
        pytest.raises(BoxError, match=r"reports wrong_identity \(0x00\); check its sensor"),
    ):
        box.start(4000)


def test_a_missing_sensor_is_reported_at_the_greeting(stand_in, monkeypatch):
    # wire_format.md, fault names; the firmware sends it after the hello
    stand = stand_in()
    hello = stand._hello
    fault = b'{"fault": "no_sensor", "detail": "all bytes 0xff"}'
    monkeypatch.setattr(stand, "_hello", lambda: (hello(), stand._send(FrameType.FAULT, fault)))
    with pytest.raises(BoxError, match=r"reports no_sensor \(all bytes 0xff\); check the sensor and its wiring"):
        open_box(str(stand.path))


def test_the_box_clock_lies_between_question_and_answer(stand_in):
    # F. Cristian, Probabilistic clock synchronization, Distributed Computing 3 (1989): the round trip bounds the offset
    stand = stand_in()
    with open_box(str(stand.path)) as box:
        reading = box.read_clock()
    clock_s = stand.born + reading.clock_us * 1e-6  # by the monotonic clock; the wall clock is ahead by:
    ahead_s = reading.received_unix_s - reading.received_monotonic_s
    assert reading.sent_unix_s - ahead_s <= clock_s + 1e-3
    assert clock_s <= reading.received_monotonic_s
    assert reading.received_unix_s - reading.sent_unix_s < 1.0


@pytest.mark.parametrize("text", ["x" * 500, "ü" * 300, '"' * 300])
def test_a_long_mark_is_cut_to_what_the_box_takes(stand_in, text):
    stand = stand_in()
    with open_box(str(stand.path)) as box:
        box.mark(text)
        box.hello()
    sent = next(c["text"] for c in stand.commands if c["do"] == "mark" and not c["text"].startswith("clock"))
    assert text.startswith(sent)
    assert len(sent.encode()) <= 200 <= LONGEST_MARK  # wire_format.md: up to 200 bytes
    assert len(sent) > 20
