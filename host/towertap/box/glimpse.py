"""A short look at a box before anything is recorded: which way is up, and whether the rate is right."""

import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from towertap.box.live import Live
from towertap.box.port import ANSWER_TIMEOUT_S, SerialBox
from towertap.capture.sweep import REST_ACCELERATION_MS2, REST_ROTATION_RADS
from towertap.errors import BoxError
from towertap.wire.decoder import Decoder
from towertap.wire.frames import FrameType
from towertap.wire.messages import running_hello

GLIMPSE_S = 0.5


@dataclass(frozen=True)
class Glimpse:
    """Half a second: mean specific force (3,) in m/s² in chip axes, whether at rest, rate (Hz), missing samples."""

    force_ms2: NDArray[np.float64]
    at_rest: bool
    rate_hz: float | None
    missing: int


def glimpse(box: SerialBox, odr_hz: int, seconds: float = GLIMPSE_S) -> Glimpse:
    """Run a greeted box for `seconds` and look at its samples; BoxError if there are none."""
    hello = running_hello(box.start(odr_hz, seconds))
    live, decoder = Live(hello), Decoder()
    blocks: dict[str, list[NDArray[np.float64]]] = {}
    deadline_s, is_running = time.monotonic() + seconds + ANSWER_TIMEOUT_S, True
    while is_running and time.monotonic() < deadline_s:
        for frames in decoder.feed(box.read()):
            live.take(frames)
            is_running = is_running and frames.kind != FrameType.BYE
            if frames.layout:
                for name, counts in frames.counts().items():
                    measurand = frames.layout.quantities[name]
                    scale = measurand.scale(getattr(hello, measurand.range_key))
                    blocks.setdefault(name, []).append(counts * scale)
    if is_running:
        box.stop()
    if not blocks:
        raise BoxError(f"{box.port}: the box was started but sends no samples; unplug it, plug it in and try again")
    signals = {name: np.concatenate(parts) for name, parts in blocks.items()}
    limits = {"acceleration": REST_ACCELERATION_MS2, "rotation": REST_ROTATION_RADS}
    at_rest = all(bool((signal.std(axis=0) < limits[name]).all()) for name, signal in signals.items())
    return Glimpse(signals["acceleration"].mean(axis=0), at_rest, live.rate_hz, live.missing_samples)
