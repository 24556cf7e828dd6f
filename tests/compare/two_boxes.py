"""Two boxes that measure one simulated motion, each with its own oscillator and clock, as captures in a folder.

    python -m tests.compare.two_boxes [RUNS]

makes RUNS pairs of recordings of a known transmissibility, brings them onto one time base, and prints the errors
of the offset, its drift and the transfer.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy import signal
from scipy.interpolate import CubicSpline

FINE_HZ = 16000
"""Rate of the motion itself; below 400 Hz a cubic spline between samples is exact to 1e-5."""
SCALE_MS2 = 9.80665 / 2048
"""At ± 16 g, by the chip's data sheet."""


def transmissibility(frequency_hz, natural_hz=40.0, damping=0.2):
    """Motion of a mass over that of its base through a spring and damper; any vibration textbook (Den Hartog)."""
    r = np.asarray(frequency_hz) / natural_hz
    return (1 + 2j * damping * r) / (1 - r**2 + 2j * damping * r)


def motion(rng, seconds, transfer=transmissibility, other=0.0):
    """Functions of time: what the input feels, 2 to 400 Hz with 3 m/s² r.m.s., and the output after `transfer`.

    `other` is the r.m.s. in m/s² of the output's other motion, from 2 to 400 Hz.
    """
    n = round(seconds * FINE_HZ)
    shape = signal.butter(3, [2.0, 400.0], "bandpass", fs=FINE_HZ, output="sos")

    def noise(level):
        filtered = signal.sosfilt(shape, rng.standard_normal(n))
        return level * filtered / filtered.std()

    felt = noise(3.0)
    passed = np.fft.irfft(np.fft.rfft(felt) * transfer(np.fft.rfftfreq(n, 1 / FINE_HZ)), n)
    at_s = np.arange(n) / FINE_HZ
    return CubicSpline(at_s, felt), CubicSpline(at_s, passed + noise(other) if other else passed)


def sampled(felt, rate_hz, start_s, end_s):
    """Samples (n,) of a motion by an oscillator of `rate_hz`, starting at `start_s`."""
    return felt(start_s + np.arange(int((end_s - start_s) * rate_hz)) / rate_hz)


def interpolated(samples, rate_hz):
    """Samples as the function of time that `find_offset` needs."""
    from towertap.signals.time_base import interpolate

    def at(time_s):
        low = max(0, int(time_s[0] * rate_hz) - 500)
        return interpolate(samples[low : int(time_s[-1] * rate_hz) + 500], rate_hz, time_s * rate_hz - low)

    return at


SECONDS = 14.0
RATES_HZ = {"sill": 1000 * 1.008, "arm": 1000 * 0.995}
APART_S = 1.37
"""The arm's box starts this long after the sill's; the host's clock says 30 ms less."""
BUSHES = {"rubber": 40.0, "polyurethane": 56.0}
"""Natural frequency on either bush in Hz: the second is about twice as stiff."""


def write_folder(folder, by_hand, seed=5):
    """Captures of two parts over a smooth and a rough road, three passes each; the rough road by two boxes at once."""
    rng = np.random.default_rng(seed)
    for part, natural_hz in BUSHES.items():
        for number in (1, 2, 3):
            stiff_hz = natural_hz * np.exp(0.01 * rng.standard_normal())
            felt, passed = motion(rng, SECONDS + 3, lambda f, n=stiff_hz: transmissibility(f, n), other=0.3)
            for place, moving, start_s, clock_s in (("sill", passed, 0.5, 0.5), ("arm", felt, 0.5 + APART_S, 1.84)):
                write_capture(folder, by_hand, part, "quarry-lane", number, place, moving, start_s, clock_s, rng)
            smooth, _ = motion(rng, SECONDS)
            write_capture(
                folder, by_hand, part, "bypass", number, "sill", lambda t, s=smooth: 0.1 * s(t), 0.0, 0.0, rng
            )
    return folder


def write_capture(folder, by_hand, part, road, number, place, moving, start_s, clock_s, rng):
    """One capture along z; it says that it began `clock_s` after the hour."""
    rate_hz = RATES_HZ[place]
    felt_ms2 = sampled(moving, rate_hz, start_s, start_s + SECONDS - 2)
    counts = by_hand.noise(rng, 2.0, felt_ms2.size)
    counts[:, 2] += np.rint(felt_ms2 / SCALE_MS2).astype(int)
    frames = by_hand.recording(rate_hz=rate_hz, counts=counts, seed=number, rolls=True)
    began = {"started_utc": f"2026-03-14T10:{number:02d}:{clock_s:09.6f}+00:00"}
    conditions = by_hand.conditions(part, road, number, box_position=place)
    by_hand.capture(folder / f"{road}_{part}_{number}_{place}", frames, conditions, began)


def one_run(seed, seconds=30.0):
    """One pair over a resonant path with 0.5 m/s² of other motion: see `brought_together`."""
    felt, passed = motion(np.random.default_rng(seed), seconds, other=0.5)
    return brought_together(felt, passed, seconds)


def brought_together(felt, passed, seconds, rates_hz=(4000 * 1.008, 4000 * 0.995), apart_s=1.37, clock_error_s=0.4):
    """Mean error of the offset between two recordings, its spread over the pass, both in seconds, and the spectra."""
    from towertap.signals.spectra import WelchSum
    from towertap.signals.time_base import GRID_HZ, find_offset
    from towertap.signals.transfer import PAIRS, SEGMENT_S, spectra_of

    output = interpolated(sampled(passed, rates_hz[0], 0.2, seconds), rates_hz[0])
    moving = interpolated(sampled(felt, rates_hz[1], 0.2 + apart_s, seconds - 0.1), rates_hz[1])
    span_s = (apart_s + 0.1, seconds - 0.5)
    offset = find_offset(output, moving, span_s, -apart_s + clock_error_s)
    total = WelchSum(GRID_HZ, SEGMENT_S, PAIRS)
    for start in np.arange(*span_s, 8.0):
        time_s = np.arange(start, min(start + 8.0, span_s[1]), 1 / GRID_HZ)
        total.feed(np.array([moving(time_s + offset(time_s)), output(time_s)]))
    off_s = offset(np.linspace(*span_s, 50)) + apart_s
    return off_s.mean(), np.ptp(off_s), spectra_of(total)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    with ProcessPoolExecutor(2) as pool:
        means_s, drifts_s, spectra = zip(*pool.map(one_run, range(runs)), strict=True)
    mean_ms, spread_us = 1e3 * np.mean(means_s), 1e6 * np.std(means_s)
    print(f"offset: mean {mean_ms:.3f} ms, spread over runs {spread_us:.1f} µs (the path's delay)")
    print(f"false drift over a pass of 30 s: up to {1e6 * max(drifts_s):.1f} µs")
    frequency_hz = spectra[0].frequency_hz
    gains = np.array([np.abs(each.xy / each.xx) for each in spectra]) / np.abs(transmissibility(frequency_hz))
    for low, high in ((4, 12), (12, 40), (40, 100), (100, 200)):
        inside = (frequency_hz >= low) & (frequency_hz < high)
        print(f"|H| {low}–{high} Hz over the textbook's: {gains[:, inside].mean():.4f} (mean over lines and runs)")
