"""Every frame has a number, so whatever is missing between two of them is known: samples or messages."""

import numpy as np
import pytest
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture

FAULT = b'{"fault": "self_test_failed", "detail": "z"}'


@pytest.fixture
def judged(make_capture):
    """A function from frames to the Integrity of their capture."""

    def judge(frames):
        with open_capture(make_capture(frames)) as capture:
            return check(capture)

    return judge


def rule(integrity, name):
    (found,) = [judgement for judgement in integrity.rules if judgement.name == name]
    return found


def with_message(by_hand, kind, payload, at=101):
    """Two and a half seconds of frames with a message among them, numbered as a box does."""
    frames = by_hand.recording(2.5)
    frames.insert(at, by_hand.frame(kind, payload, first=32 * (at - 1), clock=1000 + 8000 * (at - 1)))
    return by_hand.numbered(frames)


def flipped(frame):
    return frame[:40] + bytes([frame[40] ^ 4]) + frame[41:]


MESSAGES = {"hello": (1, b'{"running": true}'), "mark": (3, b"gate"), "fault": (4, FAULT), "status": (5, b"{}")}


@pytest.mark.parametrize("kind", MESSAGES)
@pytest.mark.parametrize("spoil", [lambda frame: b"", flipped], ids=["gone", "a flipped bit"])
def test_a_lost_message_has_its_own_line(kind, spoil, by_hand, judged):
    frames = with_message(by_hand, *MESSAGES[kind])
    frames[101] = spoil(frames[101])
    integrity = judged(frames)
    assert (integrity.lost_messages, integrity.missing_samples, integrity.sound) == (1, 0, False)
    assert "1 message from the box missing" in integrity.reasons[0]
    assert "which ones is not known" in integrity.reasons[0]
    assert (rule(integrity, "faults").ok, rule(integrity, "missing").ok) == (None, True)


def test_a_message_lost_with_samples_is_counted_separately(by_hand, judged):
    frames = with_message(by_hand, 4, FAULT)
    del frames[99:104]  # two frames of samples before it and two behind
    integrity = judged(frames)
    assert (integrity.lost_messages, integrity.missing_samples) == (1, 4 * 32)
    assert [gap["reason"] for gap in integrity.gaps] == ["link"]


def test_a_message_lost_before_the_bye_is_counted_too(by_hand, judged):
    frames = by_hand.recording(2)
    frames.insert(-1, by_hand.frame(4, FAULT, first=8000, clock=2_000_500))
    frames = by_hand.numbered(frames)
    del frames[-2]
    assert judged(frames).lost_messages == 1


def test_sound_recordings_with_messages_miss_none(by_hand, judged):
    frames = with_message(by_hand, 5, b'{"longest_stall_us": 1500, "busy_percent": 12}')
    integrity = judged(frames)
    assert (integrity.sound, integrity.lost_messages) == (True, 0)
    assert "longest stall of the box 1.5 ms, busy 12 % at most" in rule(integrity, "box_load").text


def test_the_first_frames_count_as_missing_if_a_second_hello_comes_before_any_samples(by_hand, judged):
    frames = by_hand.recording(5)
    late = by_hand.hello(first=4000)
    frames = by_hand.numbered([*frames[:126], late, *frames[126:]])
    integrity = judged([frames[0], *frames[126:]])
    assert integrity.missing_samples == 4000
    assert (integrity.gaps[0]["row"], integrity.gaps[0]["reason"], integrity.sound) == (0, "link", False)


def test_a_sequence_that_goes_back_is_a_restart_even_if_counter_and_clock_are_ahead(by_hand, judged):
    """The box was reset after one second and went on unrecorded until counter and clock passed their old values."""
    before = by_hand.recording(1)[:-1]
    after = by_hand.recording(2, start=(40, 6000, 1_500_000))[1:]
    integrity = judged([*before, *after])
    (gap,) = integrity.gaps
    assert (gap["row"], gap["missing"], gap["reason"], gap["exact"]) == (4000, None, "box_restart", False)


def test_a_clock_that_goes_back_is_a_restart_even_if_all_numbers_follow_each_other(by_hand, judged):
    before, after = by_hand.recording(1)[:-1], by_hand.recording(1, start=(125, 4000, 500))[1:]
    (gap,) = judged(by_hand.numbered([*before, *after])).gaps
    assert (gap["row"], gap["missing"], gap["reason"]) == (4000, None, "box_restart")


def test_three_of_many_gaps_and_messages_are_listed_and_the_rest_abbreviated(by_hand, judged):
    frames = by_hand.recording(2.5)
    for at in (40, 60, 80, 100):
        frames.insert(at, by_hand.frame(3, b"mark", first=32 * at, clock=1000 + 8000 * at))
    frames = by_hand.numbered(frames)
    for at in (210, 190, 170, 150, 100, 80, 60, 40):
        del frames[at]
    integrity = judged(frames)
    missing, messages = (rule(integrity, name).text for name in ("missing", "messages"))
    assert (missing.count("(link)"), missing.endswith("(link), …")) == (3, True)
    assert "after 0.3, 0.5, 0.6, … s of samples" in messages


def test_samples_beyond_those_of_the_missing_frames_were_lost_by_the_chip(by_hand, judged):
    """The frame that reports an overflow of 500 is lost too: 532 samples and one frame are missing."""
    frames = by_hand.recording(2)
    counts = np.random.default_rng(3).integers(-20, 20, (32, 3)) + np.array([0, 0, 2048])
    for k in range(100, len(frames) - 1):
        first, clock_us = 32 * (k - 1) + 500, 1000 + int((32 * k + 499) / 4000 * 1e6)
        frames[k] = by_hand.samples(counts, counts, first=first, clock=clock_us, fifo=32)
    frames[-1] = by_hand.frame(6, b"{}", first=32 * (len(frames) - 2) + 500, clock=clock_us + 100)
    frames = by_hand.numbered(frames)
    del frames[100]
    integrity = judged(frames)
    assert [(gap["missing"], gap["reason"]) for gap in integrity.gaps] == [(532, "overflow")]
    assert integrity.fifo_overflows == 1


def test_sequences_wrap_and_miss_nothing(by_hand, judged):
    frames = by_hand.numbered(by_hand.recording(2.5), start=2**32 - 100)
    assert (judged(frames).lost_messages, judged(frames).gaps) == (0, [])
    del frames[100]  # the frame with number 0
    assert [(gap["missing"], gap["reason"]) for gap in judged(frames).gaps] == [(32, "link")]


def test_a_frame_of_an_unknown_type_is_not_missing(by_hand, judged):
    assert judged(with_message(by_hand, 77, b"from a newer box")).lost_messages == 0
