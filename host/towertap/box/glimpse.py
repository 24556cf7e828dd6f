"""A glimpse of what a greeted box feels, before anything is recorded: which way is up, and whether the rate runs."""

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
    """Half a second: mean specific force (3,) in m/s², chip axes, whether at rest, rate (Hz), samples missing."""

    force_ms2: NDArray[np.float64]
    at_rest: bool
    rate_hz: float | None
    missing: int


def glimpse(box: SerialBox, odr_hz: int, seconds: float = GLIMPSE_S) -> Glimpse:
    """Start a greeted box for so long and look at what it sends; BoxError when nothing comes."""
    hello = running_hello(box.start(odr_hz, seconds))
    live, decoder = Live(hello), Decoder()
    rows: dict[str, list[NDArray[np.float64]]] = {}
    deadline_s, goes_on = time.monotonic() + seconds + ANSWER_TIMEOUT_S, True
    while goes_on and time.monotonic() < deadline_s:
        for frames in decoder.feed(box.read()):
            live.take(frames)
            goes_on = goes_on and frames.kind != FrameType.BYE
            if frames.layout:
                for name, counts in frames.counts().items():
                    measurand = frames.layout.quantities[name]
                    scale = measurand.scale(getattr(hello, measurand.range_key))
                    rows.setdefault(name, []).append(counts * scale)
    if goes_on:
        box.stop()
    if not rows:
        raise BoxError(f"{box.port}: the box was started and sends no samples; unplug it, plug it in and try again")
    felt = {name: np.concatenate(blocks) for name, blocks in rows.items()}
    limits = {"acceleration": REST_ACCELERATION_MS2, "rotation": REST_ROTATION_RADS}
    at_rest = all(bool((felt[name].std(axis=0) < limit).all()) for name, limit in limits.items() if name in felt)
    return Glimpse(felt["acceleration"].mean(axis=0), at_rest, live.rate_hz, live.missing_samples)
