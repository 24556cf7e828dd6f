"""What a recorded signal tells of the recorder that made it: where its range ends, and how full its band is."""

from collections.abc import Mapping

import numpy as np
import scipy

from towertap.signals.filters import CARRIED, Array

PILED_UP = 3.0
"""A range's end shows where more than so many times as many samples sit at the extreme as at the value next to it:
noise thins out towards its extremes, and a rounded wave dwells on its crest at most 2.4 times as long as below it."""
FEWEST_AT_END, LONGEST_TOP = 5, 3
"""And so many sit there in all, or so many of them in a row; quantised noise does so once in a thousand recordings."""
CROWDED = 0.01
"""Part of a signal's power, gravity apart, that may lie above CARRIED of its rate before it is worth a word."""
LONGEST_SEGMENT = 1024


def doubts(axes: Mapping[str, Array], rate_hz: float) -> list[str]:
    """What recorded axes, each (n,) by name, cannot be trusted in, a line each; none where there is nothing to say."""
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
    """The lowest and the highest value of one axis (n,) where it is clipped there; None for an end that it is not.

    Samples piled up at the very extreme are the evidence. An axis that never moves tells nothing. NaN is no sample.
    """
    values = values[np.isfinite(values)]
    if not values.size or values.min() == values.max():
        return None, None
    return float(values.min()) if _is_flat(-values) else None, float(values.max()) if _is_flat(values) else None


def _is_flat(values: Array) -> bool:
    """Whether values (n,), not all alike, pile up at their highest."""
    at_end = values == values.max()
    count, beside = np.count_nonzero(at_end), np.count_nonzero(values == values[~at_end].max())
    in_a_row = np.convolve(at_end, np.ones(LONGEST_TOP), "valid").max(initial=0) == LONGEST_TOP
    return bool(count > PILED_UP * beside and (count >= FEWEST_AT_END or in_a_row))


def crowded_share(values: Array, rate_hz: float) -> float:
    """The part of the power of one axis (n,), its mean apart, that lies above CARRIED of its rate, by Welch's method.

    A recorder's own filter leaves little there; where there is much, some of it may have been folded down from above
    half the rate, and what is below is not to be trusted either.
    """
    frequency_hz, power = scipy.signal.welch(values, rate_hz, nperseg=min(values.size, LONGEST_SEGMENT))
    total = power[1:].sum()
    return float(power[frequency_hz > CARRIED * rate_hz].sum() / total) if total > 0 else 0.0
