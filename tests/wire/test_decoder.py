"""The decoder finds every sound frame and nothing else, however the stream is damaged."""

import itertools
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from towertap.wire.decoder import Decoder

from tests.wire import long_random_run

SYNC = b"\xa7\x74\x62\xd5"


def decode(stream, portions=None):
    """(sequence, kind, payload) of each decoded frame, and the damage."""
    decoder = Decoder()
    runs = []
    edges = sorted({0, len(stream), *(portions or [])})
    for start, end in itertools.pairwise(edges):
        runs += decoder.feed(stream[start:end])
    runs += decoder.finish()
    decoded = [
        (int(header["sequence"]), run.kind, payload.tobytes(), int(offset))
        for run in runs
        for header, payload, offset in zip(run.headers, run.payloads, run.offsets, strict=True)
    ]
    return decoded, decoder.damage


@pytest.fixture(scope="module")
def frames(by_hand):
    """Sample frames and messages, with payloads that look like frames."""
    rng = np.random.default_rng(3)
    made = []
    for k in range(24):
        if k % 7 == 3:
            made.append(by_hand.frame(3, SYNC * 5 + b"\x01\x02\x00\x01\x00\x02\x20\x00", sequence=k))
        else:
            made.append(by_hand.samples(rng.integers(-32768, 32768, (4, 3)), sequence=k, first=4 * k))
    return made


@pytest.fixture(scope="module")
def long_run(by_hand):
    rng = np.random.default_rng(4)
    return [by_hand.samples(rng.integers(-32768, 32768, (2, 3)), sequence=k, first=2 * k) for k in range(300)]


def test_a_sound_stream_is_decoded_completely(frames):
    decoded, damage = decode(b"".join(frames))
    assert [sequence for sequence, *_ in decoded] == list(range(24))
    assert [payload for _, _, payload, _ in decoded] == [frame[36:-4] for frame in frames]
    assert (damage.bad_frames, damage.skipped_bytes, damage.places) == (0, 0, [])


@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_the_result_does_not_depend_on_the_portions(frames, data):
    stream = b"".join(frames[:5]) + frames[5][:50] + SYNC + b"\x01\x02" + b"".join(frames[6:9]) + frames[9][:30]
    whole, damage = decode(stream)
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=60))
    portioned, same_damage = decode(stream, cuts)
    assert portioned == whole
    assert same_damage == damage


@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_any_stream_is_read_as_the_page_says(by_hand, frames, data):
    sizes = st.sampled_from([9, 16, 64, 2048, 65535])
    fake = st.builds(
        lambda kind, layout, size, count, tail: (
            SYNC + bytes([1, kind, 0, layout]) + size.to_bytes(2, "little") + bytes([count, 0]) + tail
        ),
        *(st.integers(0, 3), st.integers(0, 1), sizes, st.sampled_from([1, 4]), st.binary(max_size=60)),
    )
    sound = st.sampled_from([*frames[:6], by_hand.frame(9, SYNC), by_hand.frame(2, b"?", layout=7, count=1)])
    nested = st.builds(lambda inner, cut: by_hand.frame(3, inner)[cut:], sound, st.integers(0, 60))
    cut = st.builds(lambda frame, size: frame[:size], sound, st.integers(0, 103))
    stream = b"".join(data.draw(st.lists(sound | fake | nested | cut | st.binary(max_size=20), max_size=12)))
    decoded, damage = decode(stream, data.draw(st.lists(st.integers(0, len(stream)), max_size=5)))
    by_the_page = long_random_run.read_plainly(stream)
    assert ([(offset, len(payload)) for *_, payload, offset in decoded], damage.skipped_bytes) == by_the_page


@given(data=st.data())
@settings(max_examples=100, deadline=None)
def test_flipped_bits_cost_only_the_frames_they_hit(frames, data):
    stream = bytearray(b"".join(frames))
    edges = np.cumsum([0] + [len(frame) for frame in frames])
    hit = set()
    for bit in data.draw(st.sets(st.integers(0, 8 * len(stream) - 1), min_size=1, max_size=6)):
        stream[bit // 8] ^= 1 << bit % 8
        hit.add(int(np.searchsorted(edges, bit // 8, side="right")) - 1)
    decoded, damage = decode(bytes(stream))
    assert [sequence for sequence, *_ in decoded] == [k for k in range(24) if k not in hit]
    assert damage.skipped_bytes == sum(len(frames[k]) for k in hit)
    assert damage.bad_frames >= 1
    assert sum(size for _, size in damage.places) == damage.skipped_bytes


@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_flipped_bits_in_a_long_run_cost_only_the_frames_they_hit(long_run, data):
    """Enough consecutive frames of one shape that one check value covers them all."""
    stream, size = bytearray(b"".join(long_run)), len(long_run[0])
    bits = data.draw(st.sets(st.integers(0, 8 * len(stream) - 1), max_size=6))
    for bit in bits:
        stream[bit // 8] ^= 1 << bit % 8
    decoded, _ = decode(bytes(stream))
    assert [sequence for sequence, *_ in decoded] == sorted(
        {*range(len(long_run))} - {bit // 8 // size for bit in bits}
    )


@given(data=st.data())
@settings(max_examples=100, deadline=None)
def test_cut_and_spliced_streams_give_every_intact_frame(frames, data):
    pieces, whole = [], []
    for _ in range(data.draw(st.integers(1, 6))):
        first = data.draw(st.integers(0, 22))
        last = data.draw(st.integers(first, 23))
        cut = data.draw(st.integers(0, len(frames[last]) - 1))
        junk = data.draw(st.sampled_from([b"", SYNC, SYNC[:3], b"\xa7" * 7, SYNC + bytes([1, 2, 0, 1]), b"\x00" * 40]))
        pieces.append(b"".join(frames[first:last]) + frames[last][:cut] + junk)
        whole += range(first, last)
    decoded, damage = decode(b"".join(pieces))
    assert [sequence for sequence, *_ in decoded] == whole
    kept = sum(len(frames[k]) for k in whole)
    assert damage.skipped_bytes == sum(map(len, pieces)) - kept


@given(noise=st.binary(max_size=3000))
@settings(max_examples=60, deadline=None)
def test_no_frame_is_found_in_noise(noise):
    decoded, damage = decode(SYNC.join([noise, noise[::-1], noise]))
    assert decoded == []
    assert damage.skipped_bytes == 3 * len(noise) + 8


def test_two_streams_interleaved_byte_blocks_give_only_sound_frames(frames):
    stream = b"".join(frames)
    blocks = [stream[at : at + 97] for at in range(0, len(stream), 97)]
    mixed = b"".join(block for pair in zip(blocks[::2], blocks[1::2], strict=False) for block in pair[::-1])
    decoded, damage = decode(mixed)
    originals = {frame[36:-4] for frame in frames}
    assert all(payload in originals for _, _, payload, _ in decoded)
    assert damage.skipped_bytes == len(mixed) - sum(40 + len(payload) for _, _, payload, _ in decoded)


def test_a_false_length_hides_no_later_frame(by_hand, frames):
    lie = bytearray(by_hand.frame(3, b"x" * 10))
    lie[8:10] = (2048).to_bytes(2, "little")
    decoded, damage = decode(bytes(lie) + b"".join(frames))
    assert [sequence for sequence, *_ in decoded] == list(range(24))
    assert damage.places == [(0, len(lie))]


def test_frames_of_unknown_types_and_layouts_are_found_but_not_read(by_hand, frames):
    strange = by_hand.frame(77, b"new", sequence=8) + by_hand.frame(2, b"odd size", layout=9, count=3, sequence=9)
    decoded, damage = decode(frames[0] + strange + frames[1])
    assert [sequence for sequence, *_ in decoded] == [0, 8, 9, 1]
    assert damage.skipped_bytes == 0
    assert all(run.layout is None for run in Decoder().feed(strange))


def test_an_empty_sample_frame_is_a_frame(by_hand):
    (frames,) = Decoder().feed(by_hand.frame(2, b"", layout=1))
    assert frames.counts()["rotation"].shape == (0, 3)


def test_a_stream_of_false_headers_takes_linear_time():
    # each header claims the longest payload, so each costs a check value over 2 kB
    lie = SYNC + bytes([1, 3, 0, 0]) + (2048).to_bytes(2, "little") + bytes(2)

    def seconds(copies):
        started = time.process_time()
        _, damage = decode(lie * copies)
        assert damage.skipped_bytes == len(lie) * copies
        return time.process_time() - started

    small = min(seconds(5_000) for _ in range(3))
    large = min(seconds(20_000) for _ in range(3))
    assert large < 10 * small  # 4 when linear, 16 when quadratic
