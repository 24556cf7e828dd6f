"""A message is one table entry: a made-up one is stored and counted (and shown, see tests/box/test_recorder.py)."""

import json

import pytest
from towertap.box.live import Live
from towertap.capture.reading import open_capture
from towertap.wire.decoder import Decoder
from towertap.wire.messages import MESSAGES, Hello, Message, MessageTable

WHEEL = 99


@pytest.fixture
def wheel(monkeypatch):
    """A message with the turns of a wheel."""
    turns = MessageTable("wheel", (("turns", "<i4"),), lambda frame: (frame.data["turns"],), "turns of a wheel")
    message = Message("wheel", turns, lambda frame: f"the wheel has turned {frame.data['turns']} times")
    monkeypatch.setitem(MESSAGES, WHEEL, message)


def test_it_is_stored_in_the_capture(wheel, by_hand, make_capture):
    frames = by_hand.recording(1)
    frames.insert(11, by_hand.frame(WHEEL, b'{"turns": 7}', sequence=11, first=320, clock=81000))
    with open_capture(make_capture(frames)) as capture:
        assert capture.table("wheel").tolist() == [(320, 81000, 7)]
        assert capture.file.attrs["unknown_frames"] == 0


def test_it_is_counted_on_the_screen(wheel, by_hand):
    live = Live(Hello(odr_hz=4000, accel_range_g=16))
    for frames in Decoder().feed(3 * by_hand.frame(WHEEL, b'{"turns": 7}')):
        live.take(frames)
    assert live.messages["wheel"] == 3


def test_an_unknown_message_is_counted_as_unknown(by_hand, make_capture):
    frames = by_hand.recording(1)
    frames.insert(11, by_hand.frame(WHEEL, b'{"turns": 7}', sequence=11, first=320, clock=81000))
    with open_capture(make_capture(frames)) as capture:
        assert capture.file.attrs["unknown_frames"] == 1
        assert "wheel" not in capture.file


def test_status_messages_are_stored_as_sent(by_hand, make_capture):
    frames = by_hand.recording(1)
    status = {"running": True, "max_loop_us": 1500, "heap_free": 90_000}
    frames.insert(11, by_hand.frame(5, json.dumps(status).encode(), sequence=11, first=320, clock=81000))
    path = make_capture(frames)
    with open_capture(path) as capture:
        (row,) = capture.table("status").tolist()
    assert row[:2] == (320, 81000)
    assert json.loads(row[2]) == status
