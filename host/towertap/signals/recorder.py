"""What a signal shows of the recorder that made it: where its range ends, and how full its band is."""

from collections.abc import Mapping

import numpy as np
import scipy

from towertap.signals.filters import CARRIED, Array

PILED_UP = 3.0
"""A range ends where more than this many times as many samples are at the extreme as at the next value. Noise thins out
towards its extremes; a rounded wave has at most 2.4 times as many samples on its crest as just below."""
FEWEST_AT_END, LONGEST_TOP = 5, 3
"""And FEWEST_AT_END samples are there, or LONGEST_TOP in a row: once in a thousand recordings of quantised noise."""
CROWDED = 0.01
"""Largest share of a signal's power, without gravity, above CARRIED of its rate that is not reported."""
LONGEST_SEGMENT = 1024


def doubts(axes: Mapping[str, Array], rate_hz: float) -> list[str]:
    """Why recorded axes, each (n,) by name, may be wrong, one line per reason."""
    clipped = [name for name, values in axes.items() if range_ends(values) != (None, None)]
    crowded = [name for name, values in axes.items() if crowded_share(values, rate_hz) > CROWDED]
    lines = []
    if clipped:
        lines.append(f"{', '.join(clipped)}: flat at the very extreme, so the recorder's range ended there")
    if crowded:
        lines.append(
            f"{', '.join(crowded)}: more than {100 * CROWDED:g} % of the power lies above {CARRIED * rate_hz:g} Hz, "
            f"{CARRIED:g} of the rate; some of it may be folded down from above half the rate"
        )
    return lines


def range_ends(values: Array) -> tuple[float | None, float | None]:
    """The lowest and the highest value of one axis (n,) if it is clipped there; None for each end where it is not.

    Samples piled up at the very extreme are the evidence. A constant axis shows nothing. NaN is ignored.
    """
    values = values[np.isfinite(values)]
    if not values.size or values.min() == values.max():
        return None, None
    return float(values.min()) if _is_flat(-values) else None, float(values.max()) if _is_flat(values) else None


def _is_flat(values: Array) -> bool:
    """Whether values (n,), not constant, pile up at their highest."""
    at_end = values == values.max()
    count, next_count = np.count_nonzero(at_end), np.count_nonzero(values == values[~at_end].max())
    in_a_row = np.convolve(at_end, np.ones(LONGEST_TOP), "valid").max(initial=0) == LONGEST_TOP
    return bool(count > PILED_UP * next_count and (count >= FEWEST_AT_END or in_a_row))


def crowded_share(values: Array, rate_hz: float) -> float:
    """Share of the power of one axis (n,), without its mean, above CARRIED of its rate, by Welch's method.

    A recorder's filter leaves little there. If there is much, aliases from above half the rate may also lie below.
    """
    frequency_hz, power = scipy.signal.welch(values, rate_hz, nperseg=min(values.size, LONGEST_SEGMENT))
    total = power[1:].sum()
    return float(power[frequency_hz > CARRIED * rate_hz].sum() / total) if total > 0 else 0.0
