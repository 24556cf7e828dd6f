"""Files as other recorders would write them, from known noise, and access to what an import made of them."""

from datetime import datetime

import numpy as np

G = 9.80665
SIX = "t,ax,ay,az,gx,gy,gz"


def shaken(n=1000, seed=1):
    """A ride in m/s², (n, 3), band-limited, with gravity on z."""
    rng = np.random.default_rng(seed)
    white = rng.normal(0, 3, (n + 20, 3))
    return np.array([np.convolve(axis, np.hanning(9) / 4, "same")[10:-10] for axis in white.T]).T + np.array([0, 0, G])


def text_of(table, header="t,ax,ay,az", separator=",", form="%.9g"):
    lines = [separator.join(form % value for value in row) for row in table]
    return header + "\n" + "\n".join(lines) + "\n"


def acceleration(capture):
    return capture.counts("acceleration", 0, capture.n_samples) * capture.scale_ms2


def started_at(capture):
    return datetime.fromisoformat(capture.text("started_utc"))


def decisions(capture, how):
    return [decision.what for decision in capture.origin.decisions if decision.how == how]
