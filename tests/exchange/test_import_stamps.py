"""The time of an import: start, rate and gaps from the time stamps of another recorder."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.errors import AnalysisError

from tests.exchange.rides import G, acceleration, decisions, shaken, text_of


def tones(time_s, below_hz, seed=5):
    """Thirty tones below a frequency on each axis, and gravity, (n, 3), at the times (n,)."""
    rng = np.random.default_rng(seed)
    hz, phases = rng.uniform(0.5, below_hz, (3, 30)), rng.uniform(0, 2 * np.pi, (3, 30))
    waves = np.cos(2 * np.pi * time_s[:, None, None] * hz + phases).sum(axis=2)
    return waves + np.array([0, 0, G])


def test_dates_give_time_and_start(bring_in):
    """ISO 8601, common in loggers."""
    stamps = np.datetime64("2026-05-04T10:00:00.000") + 5 * np.arange(1000).astype("timedelta64[ms]")
    rows = [f"{stamp}Z,{x:.9g},{y:.9g},{z:.9g}" for stamp, (x, y, z) in zip(stamps, shaken(), strict=True)]
    capture = bring_in("date,ax,ay,az\n" + "\n".join(rows) + "\n", time="date", time_unit="s")
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert capture.text("started_utc") == "2026-05-04T10:00:00+00:00"


@pytest.mark.parametrize(("step", "unit"), [(0.005, "s"), (5, "ms"), (5000, "µs"), (5_000_000, "ns")])
def test_the_unit_of_time_is_assumed_from_its_steps_and_reported(bring_in, step, unit):
    capture = bring_in(text_of(np.column_stack([np.arange(1000) * step, shaken()]), form="%.12g"))
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert any(f"the unit of time is {unit}" in what for what in decisions(capture, "assumed"))


def test_irregular_samples_are_resampled_to_the_reported_error(bring_in):
    """Analytic tones at 100 Hz, sampled up to a fifth of a period early or late, as by a phone."""
    rng = np.random.default_rng(6)
    times = (np.arange(4000) + rng.uniform(-0.2, 0.2, 4000)) / 100
    capture = bring_in(text_of(np.column_stack([times, tones(times, 40)]), form="%.10g"), unit="m/s2")
    (what,) = (what for what in decisions(capture, "assumed") if "resampled to even times" in what)
    even, as_even = (float(what.split(words)[1].split(" %")[0]) / 100 for words in ("an error of ", "would leave "))
    # the grid itself is only known to the mean of a thousand stamps, which adds an error to the reported one
    truth = tones(np.arange(4000) / 100, 40)
    inside = slice(400, 3600)
    size = truth[inside].std(axis=0).mean()
    error = (acceleration(capture) - truth)[inside].std(axis=0).mean() / size
    error_as_even = (tones(times, 40) - truth)[inside].std(axis=0).mean() / size
    assert error_as_even == pytest.approx(as_even, rel=0.2)
    assert error < 0.01 < 0.1 < error_as_even
    assert even < 0.001


def test_rounded_stamps_are_taken_as_even(bring_in):
    """400 Hz in whole milliseconds: every second stamp is off by 0.5 ms, a fifth of a period."""
    times = np.round(np.arange(4000) / 400, 3)
    capture = bring_in(text_of(np.column_stack([times, shaken(4000)])))
    assert acceleration(capture) == pytest.approx(shaken(4000), abs=1e-6)
    assert capture.rate_hz == pytest.approx(400, rel=1e-5)
    assert any("time is rounded to 0.001 s" in what for what in decisions(capture, "assumed"))


def test_very_irregular_stamps_are_refused_and_can_be_ignored(bring_in):
    rng = np.random.default_rng(7)
    times = (np.arange(2000) + rng.uniform(-0.45, 0.45, 2000)) / 100
    content = text_of(np.column_stack([times, shaken(2000)]), form="%.10g")
    with pytest.raises(AnalysisError, match="too irregular to carry any band"):
        bring_in(content)
    capture = bring_in(content, rate_hz=100.0)
    assert acceleration(capture) == pytest.approx(shaken(2000), abs=1e-6)
    assert "the time column, 't', is ignored" in decisions(capture, "told")


def test_unix_time_gives_the_start_and_is_reported(bring_in):
    """1,780,000,000 s after 1970 is 2026-05-28 20:26:40 UTC (by `date -u -d @1780000000`)."""
    times = 1_780_000_000 + np.arange(1000) / 200
    capture = bring_in(text_of(np.column_stack([times, shaken()]), form="%.14g"))
    assert capture.text("started_utc") == "2026-05-28T20:26:40+00:00"
    assert any("counts from 1970" in what for what in decisions(capture, "assumed"))
    assert capture.rate_hz == pytest.approx(200, rel=1e-5)


def test_a_jump_of_days_is_another_recording(bring_in):
    times = np.arange(1000) / 200 + 1e7 * (np.arange(1000) > 600)
    with pytest.raises(AnalysisError, match=r"jump by 1e[+]07 s at sample 602"):
        bring_in(text_of(np.column_stack([times, shaken()]), form="%.14g"))


def test_stamps_that_go_back_are_refused(bring_in):
    times = np.arange(1000) / 200
    times[500] = times[499]
    with pytest.raises(AnalysisError, match="1 time stamps repeat or go back, the first at sample 501"):
        bring_in(text_of(np.column_stack([times, shaken()])))


def test_a_late_stamp_is_no_gap(bring_in):
    times = np.arange(4000) / 200
    times[1000] += 0.7 / 200
    capture = bring_in(text_of(np.column_stack([times, shaken(4000)])))
    assert len(capture.gaps) == 0
    assert any(what.startswith("1 samples are in time") for what in decisions(capture, "assumed"))


def test_missing_samples_are_counted_from_the_stamps(bring_in):
    index = np.delete(np.arange(4000), [*range(1000, 1007), 2500])
    capture = bring_in(text_of(np.column_stack([index / 200, shaken(4000)[index]])))
    assert capture.gaps[["row", "missing"]].tolist() == [(1000, 7), (2493, 1)]
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert any("8 samples missing in 2 gaps" in what for what in decisions(capture, "found"))
    assert [piece.n_rows for piece in capture.pieces()] == [1000, 1493, 1499]


@pytest.mark.parametrize("value", ["nan", "inf", "-", ""])
def test_rows_without_values_are_gaps(bring_in, value):
    rows = text_of(np.column_stack([np.arange(1000) / 200, shaken()])).splitlines()
    rows[501:511] = [f"{n / 200},,," for n in range(500, 510)]
    rows[801] = f"{800 / 200},{value},1,2"
    for options in ({}, {"rate_hz": 200.0}):
        capture = bring_in("\n".join(rows) + "\n", **options)
        assert capture.gaps[["row", "missing"]].tolist() == [(500, 10), (790, 1)]


@pytest.mark.parametrize("options", [{}, {"rate_hz": 200.0}])
def test_the_start_is_that_of_the_first_sample_with_values(bring_in, options):
    stamps = np.datetime64("2026-05-04T10:00:00.000") + 5 * np.arange(1000).astype("timedelta64[ms]")
    rows = [f"{stamp}Z,{x:.9g},{y:.9g},{z:.9g}" for stamp, (x, y, z) in zip(stamps, shaken(), strict=True)]
    rows[:500] = [f"{stamp}Z,,0,{G}" for stamp in stamps[:500]]
    if not options:
        rows[0] = f",0,0,{G}"
    capture = bring_in("time,ax,ay,az\n" + "\n".join(rows) + "\n", **options)
    assert capture.text("started_utc") == "2026-05-04T10:00:02.500000+00:00"
    if not options:
        rows[0] = f"{stamps[0]}Z,,0,{G}"
        unix = [row.replace(row.split(",")[0], f"{1_780_000_000 + n / 200:.3f}") for n, row in enumerate(rows)]
        capture = bring_in("time,ax,ay,az\n" + "\n".join(unix) + "\n")
        assert capture.text("started_utc") == "2026-05-28T20:26:42.500000+00:00"
