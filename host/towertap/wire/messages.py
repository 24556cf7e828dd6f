"""What becomes of a frame that carries no samples: one line a type, read by decoder, recorder and live view."""

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
"""Rates that a chip may have; anything else in a hello is a mistake."""


class Hello(msgspec.Struct, frozen=True):
    """What a box says of itself, as far as the host needs it; a box that does not run has no settings to tell."""

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
        """What may not change on the way."""
        return self.odr_hz, self.accel_range_g, self.gyro_range_dps


class Status(msgspec.Struct, frozen=True):
    """How a box is doing, as far as the host shows it; None where its firmware does not tell."""

    overflows: int = 0
    busy_percent: float | None = None
    """Share of the time since the last status in which there was work."""
    longest_stall_us: float | None = None
    """The longest that the loop was away since then."""


def hello_of(content: object) -> Hello:
    """A hello's JSON object as a Hello; FileError in one line when it is none."""
    hello: Hello = typed(content, Hello, "the box's hello")
    return hello


def running_hello(content: object) -> Hello:
    """The hello of a box that runs, whose rate and range a reader needs; FileError where it does not tell them."""
    hello = hello_of(content)
    for name in ("odr_hz", "accel_range_g"):
        if not getattr(hello, name) > 0:
            raise FileError(f"the box's hello gives no usable {name}; bring its firmware up to date")
    return hello


@dataclass(frozen=True)
class MessageTable:
    """A table of the capture with one row a message: row of the next sample, box clock, and these columns."""

    name: str
    columns: tuple[tuple[str, str], ...]
    row: Callable[[Frames], tuple]
    """From a frame to what goes into the columns."""
    what: str


@dataclass(frozen=True)
class Message:
    """A type of frame: what the capture keeps of it, and what a person is told as it comes.

    The recorder and the decoder also act on hello and bye, which begin and end a recording; the live view counts all.
    """

    name: str
    table: MessageTable | None = None
    telling: Callable[[Frames], str] | None = None


def cut(text: str, size: int) -> bytes:
    """UTF-8 of at most `size` bytes, never cut inside a character."""
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
"""Type of the frame header → what becomes of it; samples have `LAYOUTS` instead."""
