"""Makes the conformance streams of example_captures/streams/: bytes, and how a reader of the page must read them.

    python -m tests.wire.make_streams example_captures/streams

Streams made by hand are written field by field from hardware_notes/wire_format.md; those of the firmware come from the
simulated box. The expected reading is computed here, frame by frame and straight from the page, without the package.
"""

import argparse
import binascii
import json
import struct
import sys
import time
from pathlib import Path

from tests import by_hand

SYNC = b"\xa7\x74\x62\xd5"
HELLO = by_hand.HELLO | {
    "board": "by hand",
    "watermark": 4,
    "commands": ["hello", "start", "mark", "status", "stop", "self_test", "restart"],
}


class Box:
    """A box made by hand: counts its frames, samples and time as the page says."""

    def __init__(self, *, sequence=0, sample=0, clock_us=1000, boot_id="1f2e3d4c"):
        self.sequence, self.sample, self.clock_us, self.boot_id = sequence, sample, clock_us, boot_id

    def frame(self, kind, payload=b"", *, flags=0, layout=0, count=0, fifo=0):
        fields = (1, kind, flags, layout, len(payload), count, self.sequence % 2**32, self.sample, self.clock_us)
        header = SYNC + struct.pack("<BBBBHHIQQHh", *fields, fifo, 0)
        self.sequence += 1
        return header + payload + struct.pack("<I", binascii.crc32(header + payload))

    def hello(self, **changes):
        return self.frame(1, json.dumps({**HELLO, "boot_id": self.boot_id, **changes}).encode())

    def samples(self, flags=0, count=4):
        rows = [(self.sample + k, -k, 2048 + k, 3, -2, 1) for k in range(count)]
        payload = b"".join(struct.pack(">B6hbH", 0x68, *(v % 1000 for v in row), 0, 0) for row in rows)
        made = self.frame(2, payload, flags=flags, layout=1, count=count, fifo=count)
        self.sample += count
        self.clock_us += count * 250
        return made

    def lose(self, samples):
        """The chip loses samples, and the counter steps over them."""
        self.sample += samples
        self.clock_us += samples * 250

    def bye(self):
        return self.frame(6, json.dumps({"reason": "stop", "samples": self.sample, "lost": 0}).encode())


def whole():
    box = Box()
    frames = [
        box.hello(),
        *(box.samples() for _ in range(3)),
        box.frame(3, "Kuhle \N{SNOWMAN}".encode()),
        box.samples(),
    ]
    frames += [box.frame(5, b'{"running": true, "lost": 0}'), box.samples()]
    frames += [box.frame(4, b'{"fault": "bad_command", "detail": "mark"}'), box.samples(), box.bye()]
    return b"".join(frames)


def damaged():
    box = Box()
    frames = [box.hello(), *(box.samples() for _ in range(8)), box.bye()]
    frames[2] = frames[2][:60] + bytes([frames[2][60] ^ 0x10]) + frames[2][61:]  # a bit of the payload
    frames[4] = frames[4][:50]  # cut
    frames[6] = frames[6][:8] + struct.pack("<H", 2048) + frames[6][10:]  # a false length
    junk = SYNC[:3] + bytes(40) + SYNC + b"\x01\x02\x00\x01\x00\x01\x40\x00" + b"\xa7" * 9
    return b"".join([*frames[:8], junk, *frames[8:]])


def frame_within_a_damaged_one():
    """The mark within the damaged frame's payload is a sound frame, so it and its number count."""
    box, other = Box(), Box(sequence=4, sample=12, clock_us=4000)
    frames = [box.hello(), *(box.samples() for _ in range(3))]
    outer = box.frame(9, b"before" + other.frame(3, b"inner") + b"behind")
    outer = outer[:-1] + bytes([outer[-1] ^ 1])
    return b"".join([*frames, outer, box.samples(), box.bye()])


def unknown():
    box = Box()
    frames = [box.hello(), box.samples(), box.frame(77, b"a type of tomorrow"), box.samples()]
    frames += [box.frame(2, b"another chip's", layout=200, count=3), box.samples(flags=0xF8), box.frame(255), box.bye()]
    return b"".join(frames)


def missing():
    """Lost: two sample frames; a mark; a sample frame with a fault; and the last frame before the bye."""
    box = Box()
    frames = [box.hello()]
    for k in range(16):
        frames.append(box.samples())
        if k in (5, 9):
            frames.append(box.frame(3 if k == 5 else 4, b"{}"))
    frames.append(box.bye())
    return b"".join(frame for k, frame in enumerate(frames) if k not in (2, 3, 7, 11, 12, 18))


def first_frames_missing():
    """The first two sample frames are lost, then a second hello comes before any samples."""
    box = Box()
    frames = [box.hello(), box.samples(), box.samples(), box.hello(), box.samples(), box.samples(), box.bye()]
    return b"".join(frames[:1] + frames[3:])


def restarted():
    """A reset whose hello arrives; then one whose hello is lost, with counter and clock ahead of where they were."""
    first, second = Box(), Box(boot_id="00000002")
    third = Box(sequence=3, sample=400, clock_us=90_000, boot_id="00000003")
    frames = [first.hello(), *(first.samples() for _ in range(3))]
    frames += [second.hello(running=False), second.hello(), *(second.samples() for _ in range(3))]
    frames += [*(third.samples() for _ in range(2)), third.bye()]
    return b"".join(frames)


def started_twice():
    """A bye and a second start in one stream: sequence and clock run on, the counter starts again at 0."""
    box = Box()
    frames = [box.hello(), *(box.samples() for _ in range(3)), box.bye()]
    box.sample = 0
    return b"".join([*frames, box.hello(), *(box.samples() for _ in range(3)), box.bye()])


def twice():
    """A repeated frame: the link never repeats one, so this reads as a restart."""
    box = Box()
    frames = [box.hello(), *(box.samples() for _ in range(4)), box.bye()]
    return b"".join([*frames[:3], frames[2], *frames[3:]])


def overflowed():
    """37 lost and counted; at least 5 lost; none counted; the chip restarted; and the frame reporting 500 is lost."""
    box = Box()
    frames = [box.hello(), box.samples(), box.samples()]
    for lost, flags in ((37, 1), (5, 3), (0, 3), (9, 6), (500, 1)):
        box.lose(lost)
        frames += [box.samples(flags=flags), box.samples()]
    frames.append(box.bye())
    return b"".join(frame for k, frame in enumerate(frames) if k != 11)


def large_numbers():
    """The sequence wraps; counter and clock pass 2^32 and 2^53."""
    low = Box(sequence=2**32 - 3, sample=2**32 - 6, clock_us=2**32 - 2500)
    return b"".join([low.hello(), *(low.samples() for _ in range(5)), low.bye()])


def beyond_doubles():
    high = Box(sequence=7, sample=2**53 - 6, clock_us=2**53 - 2500)
    return b"".join([high.hello(), *(high.samples() for _ in range(5)), high.bye()])


def cut():
    """Begins in the middle of a frame, with no hello of a start, and ends in one."""
    box = Box(sequence=40, sample=160, clock_us=41_000)
    frames = [*(box.samples() for _ in range(3)), box.hello(), *(box.samples() for _ in range(3))]
    return b"".join(frames)[30:-30]


def sizes():
    """A frame without payload, a sample frame without samples, and the longest payload."""
    box = Box()
    frames = [box.hello(), box.frame(3), box.samples(), box.samples(count=0), box.samples(), box.frame(3, b"m" * 2048)]
    return b"".join([*frames, box.samples(), box.bye()])


BY_HAND = {
    make.__name__: make
    for make in (
        whole, damaged, frame_within_a_damaged_one, unknown, missing, first_frames_missing, restarted, started_twice,
        twice, overflowed, large_numbers, beyond_doubles, cut, sizes,
    )
}  # fmt: skip

START = {"do": "start", "odr_hz": 1000, "seconds": 0.7}
BY_THE_FIRMWARE = {
    "firmware": {
        "settings": {"noise": 1.0, "seed": 3},
        "commands": [START, {"do": "mark", "text": "gate"}, {"do": "status"}],
    },
    "firmware_overflow": {
        "settings": {"seed": 4, "faults": [{"fault": "fifo_overflow", "at_s": 0.3, "lost": 37}]},
        "commands": [START],
    },
    "firmware_reset": {"settings": {"seed": 5, "faults": [{"fault": "reset", "at_s": 0.3}]}, "commands": [START]},
    "firmware_refuses": {
        "settings": {"seed": 6},
        "commands": [{"do": "mark", "text": "not running"}, {"do": "dance"}, START, START, {"do": "self_test"}],
    },
}
"""Name → settings of the simulated box and the commands sent to it, in order."""


def from_the_firmware(settings, commands, quiet_s=0.7):
    """A simulated box's answers to the commands, in virtual time, until it has been quiet for `quiet_s`."""
    import serial
    from towertap.box.simulated import SimulatedBox

    with SimulatedBox(None, realtime=False, **settings) as box, serial.Serial(box.port, timeout=quiet_s) as port:
        lines = b"".join(json.dumps(command).encode() + b"\n" for command in commands)
        port.write(b"\n" + lines)
        stream = b""
        began = time.monotonic()
        while (data := port.read(4096)) and time.monotonic() < began + 30:
            stream += data
        return stream


def plain_frames(stream):
    """The sound frames as dicts of header fields and payload, and the number of bytes in none ("Resynchronising")."""
    frames, skipped, at = [], 0, 0
    names = (
        "version",
        "type",
        "flags",
        "layout",
        "length",
        "count",
        "sequence",
        "first_sample",
        "clock_us",
        "fifo_level",
    )
    while at < len(stream):
        if stream.startswith(SYNC, at) and len(stream) - at >= 40:
            header = dict(zip(names, struct.unpack_from("<BBBBHHIQQH", stream, at + 4), strict=True))
            end = at + 36 + header["length"]
            fits = (header["type"], header["layout"]) != (2, 1) or header["length"] == 16 * header["count"]
            likely = header["version"] == 1 and header["type"] != 0 and header["length"] <= 2048 and fits
            if likely and end + 4 <= len(stream):
                (crc,) = struct.unpack_from("<I", stream, end)
                if crc == binascii.crc32(stream[at:end]):
                    frames.append({**header, "offset": at, "payload": stream[at + 36 : end]})
                    at = end + 4
                    continue
        at += 1
        skipped += 1
    return frames, skipped


def plain_reading(stream):
    """The page's reading of a stream, frame by frame: frames, samples, gaps and missing messages."""
    frames, skipped = plain_frames(stream)
    rows, expected_sequence, next_sample, clock_us, boot = 0, None, None, 0, None
    unexplained, has_restarted, count = 0, False, 0
    gaps, lost_messages, readings, unknown = [], [], [], 0

    def account(missing, flags):
        nonlocal unexplained
        if flags & 4:
            gaps.append([rows, missing or None, "chip_restart"])
        elif flags & 2:
            gaps.append([rows, missing or None, "overflow_at_least"])
        elif missing:
            of_chip = flags & 1 or missing > unexplained * count
            gaps.append([rows, missing, "overflow" if of_chip else "link"])
        messages = unexplained - -(-missing // count) if count else unexplained
        if messages > 0:
            lost_messages.append([rows, messages])
        unexplained = 0

    for frame in frames:
        step = 0 if expected_sequence is None else (frame["sequence"] - expected_sequence) % 2**32
        expected_sequence = (frame["sequence"] + 1) % 2**32
        if step >= 2**31:
            has_restarted, unexplained = has_restarted or rows > 0, 0
        else:
            unexplained += step
        kind = frame["type"]
        if kind == 1:
            hello = json.loads(frame["payload"])
            is_new = hello["boot_id"] != boot
            if rows:
                has_restarted = has_restarted or (boot is not None and is_new)
            elif hello["running"] and (is_new or next_sample is None):
                next_sample, unexplained = frame["first_sample"], 0
            boot = hello["boot_id"]
        elif kind == 6:
            missing = 0 if next_sample is None else frame["first_sample"] - next_sample
            if not has_restarted and (missing > 0 or unexplained):
                account(max(missing, 0), 0)
            unexplained = 0
        elif kind == 2 and frame["layout"] == 1:
            missing = 0 if next_sample is None else frame["first_sample"] - next_sample
            if rows and (has_restarted or missing < 0 or frame["clock_us"] < clock_us):
                gaps.append([rows, None, "box_restart"])
                unexplained = 0
            else:
                count = frame["count"]
                account(max(missing, 0), frame["flags"])
            has_restarted, count = False, frame["count"]
            rows += frame["count"]
            next_sample, clock_us = frame["first_sample"] + frame["count"], frame["clock_us"]
            for k in range(frame["count"]):
                readings.append(struct.unpack_from(">6h", frame["payload"], 16 * k + 1))
        elif kind not in (3, 4, 5, 7):
            unknown += 1
    return {
        "frames": [[frame[name] for name in ("offset", "type", "sequence", "count")] for frame in frames],
        "skipped_bytes": skipped,
        "unknown_frames": unknown,
        "samples": rows,
        "first_and_last_sample": [list(readings[0]), list(readings[-1])] if readings else [],
        "gaps": gaps,
        "lost_messages": lost_messages,
    }


def streams():
    """Name → (bytes, expected JSON) of all streams."""
    for name, make in BY_HAND.items():
        stream = make()
        yield name, stream, {"what": make.__doc__ or name, "made": "by hand", **plain_reading(stream)}
    for name, how in BY_THE_FIRMWARE.items():
        stream = from_the_firmware(**how)
        yield name, stream, {"made": "by the firmware", **how, **plain_reading(stream)}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    for name, stream, expected in streams():
        (folder / f"{name}.bin").write_bytes(stream)
        (folder / f"{name}.json").write_text(json.dumps(expected) + "\n", "utf-8")
        print(
            f"{name}: {len(stream)} bytes, {expected['samples']} samples, gaps {expected['gaps']}, "
            f"lost {expected['lost_messages']}",
            file=sys.stderr,
        )


if __name__ == "__main__":
    main()
