"""Frames without samples: one entry per type says what the decoder, the recorder and the live view do with it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

import msgspec
from msgspec import Meta

from towertap.doors.structured import typed
from towertap.errors import FileError
from towertap.wire.decoder import Frames
from towertap.wire.frames import FrameType

RATES_HZ = (1.0, 100_000.0)
"""Lowest and highest plausible sample rate; anything else in a hello is an error."""


class Hello(msgspec.Struct, frozen=True):
    """The part of a box's hello that the host needs; rate and ranges are 0 while the box is not running."""

    serial: str = ""
    boot_id: str = ""
    chip: str = ""
    layout: int = 0
    running: bool = False
    odr_hz: Annotated[float, Meta(ge=0, le=RATES_HZ[1])] = 0.0
    accel_range_g: Annotated[float, Meta(ge=0, le=10_000)] = 0.0
    gyro_range_dps: Annotated[float, Meta(ge=0, le=100_000)] = 0.0
    anti_alias_hz: Annotated[float, Meta(ge=0, le=RATES_HZ[1])] | None = None

    @property
    def settings(self) -> tuple[float, ...]:
        """The settings that must not change during a recording."""
        return self.odr_hz, self.accel_range_g, self.gyro_range_dps


class Status(msgspec.Struct, frozen=True):
    """The part of a box's status that the host shows; None if its firmware does not report it."""

    overflows: int = 0
    busy_percent: float | None = None
    """Share of the time since the last status that the box was busy."""
    longest_stall_us: float | None = None
    """Longest interruption of the loop since the last status."""


def hello_of(content: object) -> Hello:
    """Parse a hello's JSON object; FileError if it is not a hello."""
    hello: Hello = typed(content, Hello, "the box's hello")
    return hello


def running_hello(content: object) -> Hello:
    """Parse the hello of a running box; FileError if it lacks the rate or range."""
    hello = hello_of(content)
    for name in ("odr_hz", "accel_range_g"):
        if not getattr(hello, name) > 0:
            raise FileError(f"the box's hello gives no usable {name}; update its firmware")
    return hello


@dataclass(frozen=True)
class MessageTable:
    """A capture's table with one row per message: row of the next sample, box clock, and `columns`."""

    name: str
    columns: tuple[tuple[str, str], ...]
    row: Callable[[Frames], tuple]
    """Values of `columns` from a frame."""
    what: str


@dataclass(frozen=True)
class Message:
    """A type of frame: the table that the capture keeps it in, and the text shown to the user when it arrives.

    The recorder and the decoder also act on hello and bye, which begin and end a recording. The live view counts all.
    """

    name: str
    table: MessageTable | None = None
    notice: Callable[[Frames], str] | None = None


def cut(text: str, size: int) -> bytes:
    """Truncate to at most `size` bytes of UTF-8, never inside a character."""
    return text.encode("utf-8", "replace")[:size].decode("utf-8", "ignore").encode()


def _fault(frame: Frames) -> tuple[bytes, bytes]:
    return cut(str(frame.data.get("fault", "")), 64), cut(str(frame.data.get("detail", "")), 256)


MESSAGES: dict[int, Message] = {
    FrameType.HELLO: Message("hello"),
    FrameType.MARK: Message(
        "mark",
        MessageTable(
            "marks",
            (("text", "S200"),),
            lambda frame: (cut(frame.text, 200),),
            "marks set while recording: the next sample's row, box clock, UTF-8 text",
        ),
    ),
    FrameType.FAULT: Message(
        "fault",
        MessageTable(
            "faults",
            (("fault", "S64"), ("detail", "S256")),
            _fault,
            "faults that the box reported: the next sample's row, box clock, UTF-8 text",
        ),
        lambda frame: "the box reports {}: {}".format(*(text.decode() for text in _fault(frame))),
    ),
    FrameType.STATUS: Message(
        "status",
        MessageTable(
            "status",
            (("content", "S1024"),),
            lambda frame: (cut(frame.text, 1024),),
            "how the box was doing, every ten seconds: the next sample's row, box clock, JSON as the box sent it",
        ),
    ),
    FrameType.BYE: Message("bye"),
    FrameType.SELF_TEST: Message("self_test"),
}
"""Type in the frame header → how it is handled. Samples have `LAYOUTS` instead."""
