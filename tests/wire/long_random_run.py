"""A long random run: millions of damaged and false streams, none of which may crash or deceive the decoder.

    python -m tests.wire.long_random_run --streams 1000000

A stream is a sequence of frames, false headers and noise made from hardware_notes/wire_format.md, then flipped, cut,
repeated and interleaved. Each byte carries its place in the frame it was sent in, so the right result is known without
any decoder: only frames that were sent, byte for byte; and every frame whose bytes are still contiguous and untouched.
The result is also compared with a plain reading of the page. One of 2^32 wrong check values matches by chance, so a
failure of only the first condition, once in many runs, may be that.
"""

import argparse
import binascii
import random
import struct
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial

import numpy as np
from towertap.capture.continuity import Continuity
from towertap.wire.decoder import Decoder

SYNC = b"\xa7\x74\x62\xd5"
BATCH = 1000
PLACES = 4096
"""Larger than any frame: byte p of frame k carries k * PLACES + p, and a byte that was never sent or was changed −1."""
EDGES = (0, 1, 31, 2**15, 2**31 - 1, 2**31, 2**32 - 1, 2**32, 2**53, 2**60, 2**63 - 1, 2**63, 2**64 - 1)
"""Where counters wrap, here or in arithmetic."""


def frame(rng, kind, payload, layout=0, count=0):
    """A frame as in the page, with counters that jump and wrap."""
    counters = [rng.choice(EDGES) if rng.random() < 0.3 else rng.randrange(2**40) for _ in range(3)]
    words = (counters[0] % 2**32, counters[1], counters[2], rng.randrange(2**16), rng.randrange(-(2**15), 2**15))
    flags = rng.randrange(256) if rng.random() < 0.2 else 0
    header = SYNC + struct.pack("<BBBBHHIQQHh", 1, kind, flags, layout, len(payload), count, *words)
    return header + payload + struct.pack("<I", binascii.crc32(header + payload))


def header_like(rng):
    """Twelve bytes that could begin a frame, with a false length."""
    length = rng.choice((0, 9, 16, 64, 512, 2048, 2049, 65535))
    kinds = rng.randrange(0, 8), rng.randrange(256), rng.randrange(3)
    return SYNC + struct.pack("<BBBBHH", rng.choice((1, 1, 1, 0, 2)), *kinds, length, rng.choice((1, length // 16)))


def noise(rng):
    """Random bytes."""
    makers = (
        lambda: rng.randbytes(rng.randrange(200)),
        lambda: SYNC[: rng.randrange(1, 5)] * rng.randrange(1, 9),
        lambda: header_like(rng) + rng.randbytes(rng.randrange(80)),
        lambda: b"".join(header_like(rng) for _ in range(rng.randrange(6))),
        lambda: bytes(rng.randrange(300)),
    )
    return rng.choice(makers)()


@cache
def pool(seed, size=600):
    """Frames to send: known and unknown types, empty to full, with payloads that look like headers and frames."""
    rng = random.Random(seed)
    frames = []
    for _ in range(size):
        roll = rng.random()
        if roll < 0.6:
            count = rng.choice((0, 1, 2, 4, 4, 4, 8, 32, 128))
            payload = rng.randbytes(16 * count)
            if rng.random() < 0.3:
                payload = (b"".join(noise(rng) for _ in range(20)) + payload)[: 16 * count].ljust(16 * count, b"\xa7")
            frames.append(frame(rng, 2, payload, 1, count))
        elif roll < 0.7 and frames:  # a frame within a frame
            frames.append(frame(rng, rng.choice((3, 9)), (noise(rng) + rng.choice(frames) + noise(rng))[:2048]))
        elif roll < 0.8:
            frames.append(frame(rng, rng.choice((2, 9, 77, 255)), rng.randbytes(rng.randrange(100)), 7, 3))
        else:
            frames.append(frame(rng, rng.choice((1, 3, 4, 5, 6)), noise(rng)[:2048]))
    return frames


def assemble(rng, frames):
    """(bytes, ids) of a few frames, with occasional noise between them."""
    pieces = [(b"", np.empty(0, np.int64))]
    for _ in range(rng.randrange(13)):
        if rng.random() < 0.75:
            k = rng.randrange(len(frames))
            for _ in range(rng.choice((1, 1, 1, 3))):
                pieces.append((frames[k], np.arange(k * PLACES, k * PLACES + len(frames[k]))))
        else:
            junk = noise(rng)
            pieces.append((junk, np.full(len(junk), -1)))
    data, ids = zip(*pieces, strict=True)
    return np.frombuffer(b"".join(data), np.uint8).copy(), np.concatenate(ids)


def flip(rng, data, ids):
    for _ in range(rng.choice((1, 1, 2, 8)) if len(data) else 0):
        at = rng.randrange(len(data))
        data[at] ^= 1 << rng.randrange(8)
        ids[at] = -1
    return data, ids


def overwrite(rng, data, ids):
    junk = np.frombuffer(noise(rng), np.uint8)
    at = rng.randrange(len(data) + 1)
    end = min(at + len(junk), len(data))
    data[at:end], ids[at:end] = junk[: end - at], -1
    return data, ids


def insert(rng, data, ids):
    junk, at = noise(rng), rng.randrange(len(data) + 1)
    return np.insert(data, at, np.frombuffer(junk, np.uint8)), np.insert(ids, at, np.full(len(junk), -1))


def cut(rng, data, ids):
    first, last = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
    last = min(last, first + rng.choice((1, 40, 700)))
    return np.delete(data, slice(first, last)), np.delete(ids, slice(first, last))


def repeat(rng, data, ids):
    first, last = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
    return tuple(np.concatenate((part[:last], part[first:])) for part in (data, ids))


def interleave(rng, data, ids):
    """Two halves of the stream, interleaved in blocks."""
    block, half = rng.choice((1, 7, 97, 512, 1500)), (len(data) + 1) // 2
    place = np.arange(len(data))
    order = np.lexsort((place, place >= half, np.where(place < half, place, place - half) // block))
    return data[order], ids[order]


MUTATIONS = (flip, flip, overwrite, insert, cut, repeat, interleave)


def survivors(ids, frames):
    """(offset, frame) of the frames whose bytes are contiguous and untouched."""
    for at in np.flatnonzero((ids >= 0) & (ids % PLACES == 0)).tolist():
        sent = frames[ids[at] // PLACES]
        if np.array_equal(ids[at : at + len(sent)], ids[at] + np.arange(len(sent))):
            yield at, sent


def read_plainly(stream):
    """(offset, length) of the frames, and the skipped bytes, straight from the page's last section."""
    found, skipped, at = [], 0, 0
    while at < len(stream):
        if stream.startswith(SYNC, at) and len(stream) - at >= 40:
            version, kind, _, layout, length, count = struct.unpack_from("<BBBBHH", stream, at + 4)
            end = at + 36 + length
            fits = not (kind == 2 and layout == 1) or length == 16 * count
            plausible = version == 1 and kind != 0 and length <= 2048 and fits and end + 4 <= len(stream)
            if plausible and binascii.crc32(stream[at:end]).to_bytes(4, "little") == stream[end : end + 4]:
                found.append((at, length))
                at = end + 4
                continue
        following = stream.find(SYNC[:1], at + 1)
        following = len(stream) if following < 0 else following
        skipped += following - at
        at = following
    return found, skipped


def try_stream(rng, frames, sent, counts):
    """Make one stream, decode it in random portions, and check the conditions above."""
    data, ids = assemble(rng, frames)
    for _ in range(rng.choice((0, 1, 1, 2, 3))):
        data, ids = rng.choice(MUTATIONS)(rng, data, ids)
    stream, decoder, continuity = data.tobytes(), Decoder(), Continuity()
    cuts = sorted(rng.randrange(len(stream) + 1) for _ in range(rng.choice((0, 0, 1, 5))))
    edges = zip([0, *cuts], [*cuts, len(stream)], strict=True)
    runs = [run for first, last in edges for run in decoder.feed(stream[first:last])] + decoder.finish()
    accepted = []
    for run in runs:
        for header, payload, offset in zip(run.headers, run.payloads, run.offsets.tolist(), strict=True):
            assert header.tobytes() + payload.tobytes() in sent, "a frame was accepted that was never sent"
            accepted.append((offset, len(payload)))
        if run.layout:
            before = continuity.rows
            continuity.samples(run)
            assert continuity.rows - before == run.headers["count"].sum(), "samples were lost in counting"
    whole = [(at, len(survivor) - 40) for at, survivor in survivors(ids, frames)]
    assert set(whole) <= set(accepted), "an undamaged frame was not recovered"
    assert (accepted, decoder.damage.skipped_bytes) == read_plainly(stream), "not what the page says"
    bad = decoder.damage.bad_frames
    counts.update(streams=1, bytes=len(stream), undamaged=len(whole), accepted=len(accepted), bad=bad)


def run_batch(seed, batch, streams):
    """Try `streams` streams of a batch; the AssertionError of a failure names the stream."""
    frames = pool(seed + batch // 10)
    sent, counts = {one[:-4] for one in frames}, Counter()
    for k in range(streams):
        try:
            try_stream(random.Random(f"{seed} {batch} {k}"), frames, sent, counts)
        except Exception as error:
            raise AssertionError(f"seed {seed}, batch {batch}, stream {k}: {type(error).__name__}: {error}") from error
    return counts


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--streams", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=None)
    options = parser.parse_args()
    sizes = [min(BATCH, options.streams - done) for done in range(0, options.streams, BATCH)]
    started, total = time.monotonic(), Counter()
    with ProcessPoolExecutor(options.processes) as processes:
        for counts in processes.map(partial(run_batch, options.seed), range(len(sizes)), sizes):
            total += counts
            if sys.stderr.isatty():
                print(f"\r{total['streams']} streams", end="", file=sys.stderr)
    print(
        f"{total['streams']} streams of {total['bytes'] / 1e6:.0f} MB in {time.monotonic() - started:.0f} s: "
        f"{total['undamaged']} undamaged frames, all of them found; {total['accepted']} frames accepted, all of them "
        f"sent; {total['bad']} bad frames"
    )


if __name__ == "__main__":
    main()
