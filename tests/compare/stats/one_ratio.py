"""One ratio over all roads against the roads' own, roads that differ, and the smooth road as a control.

`python -m tests.compare.stats.one_ratio [SETS]` draws SETS sets (20,000 by default) of rounds over two or three roads,
in which the roads of a round share none or half of their variance. It prints the power and the false alarms on these
drives of one road, of all roads by rounds, and of all roads with passes taken as independent; how often roads are shown
to differ; and the readings of the smooth road for true changes of the rough and the smooth roads.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.stats import chi2
from towertap.compare.stats.contrast import Student, pass_contrast
from towertap.compare.stats.roads import p_roads_differ, rounds, smooth_control

PASS_SD, CHANGE = 0.05, 0.09


def driven(sets, roads, passes, shared, seed, change=0.0, by_road=None):
    """Logarithms (sets, passes of all roads) and their labels; rounds share the fraction `shared` of the variance."""
    draw = np.random.default_rng(seed)
    after = np.repeat([False, True], passes)
    own = draw.standard_normal((sets, roads, 2 * passes))
    common = draw.standard_normal((sets, 1, 2 * passes))
    levels = np.arange(roads)[:, None]
    logs = levels + PASS_SD * (np.sqrt(1 - shared) * own + np.sqrt(shared) * common)
    ratios = np.full(roads, change) if by_road is None else np.log1p(np.asarray(by_road))
    logs = logs + after * ratios[:, None]
    road = np.repeat(np.arange(roads), 2 * passes)
    number = np.tile(np.arange(2 * passes), roads)
    return logs.reshape(sets, -1), road, number, np.tile(after, roads)


def contrasts(logs, road, number, after):
    """Contrasts of each road, of all by rounds, and of all with passes taken as independent."""
    own = [pass_contrast(logs[:, road == name], after[road == name]) for name in np.unique(road)]
    round_logs, first = rounds(logs, road, number.tolist(), after)
    error = np.sqrt(sum(contrast.error**2 for contrast in own)) / len(own)
    by_pass = Student(
        sum(contrast.difference for contrast in own) / len(own), error, sum(contrast.df for contrast in own)
    )
    return own, pass_contrast(round_logs, after[first]), by_pass


def power(sets, roads, passes, shared, seed=1):
    """Shares shown with a change and without: one road, all by rounds, all with passes as independent."""
    row = {}
    for name, change in (("shown", np.log1p(CHANGE)), ("false", 0.0)):
        own, by_round, by_pass = contrasts(*driven(sets, roads, passes, shared, seed, change))
        row[f"one road {name}"] = np.mean(own[0].p_difference() < 0.05)
        row[f"by rounds {name}"] = np.mean(by_round.p_difference() < 0.05)
        row[f"as if independent {name}"] = np.mean(by_pass.p_difference() < 0.05)
    return row


def incomplete(sets, roads, passes, shared, seed=4):
    """False alarms by rounds if one pass of the last round after the change is missing."""
    logs, road, number, after = driven(sets, roads, passes, shared, seed)
    present = np.arange(after.size) != after.size - 1
    round_logs, first = rounds(logs[:, present], road[present], number[present].tolist(), after[present])
    return np.mean(pass_contrast(round_logs, after[present][first]).p_difference() < 0.05)


def differ(sets, roads, passes, shared, by_road, seed=2):
    """Shares of sets whose roads are shown to differ, and would be by Cochran's Q."""
    own, _, _ = contrasts(*driven(sets, roads, passes, shared, seed, by_road=by_road))
    difference, error = (np.stack([getattr(road, name) for road in own]) for name in ("difference", "error"))
    weight = error**-2.0
    q = (weight * (difference - (weight * difference).sum(axis=0) / weight.sum(axis=0)) ** 2).sum(axis=0)
    return np.mean(p_roads_differ(own) < 0.05), np.mean(chi2.sf(q, roads - 1) < 0.05)


def readings(sets, passes, rough, smooth, seed=3, shared=0.0):
    """Shares of the smooth control's readings for true changes of the rough and smooth roads."""
    logs, road, _, after = driven(sets, 2, passes, shared, seed, by_road=(rough, smooth))
    all_readings = []
    for values in logs:
        rough_change, smooth_change = (pass_contrast(values[road == name], after[road == name]) for name in (0, 1))
        all_readings.append(smooth_control(rough_change, smooth_change, 0.10)[1])
    return {what: all_readings.count(what) / sets for what in sorted(set(all_readings))}


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    for roads, passes in ((2, 4), (2, 6), (3, 4), (3, 6)):
        for shared in (0.0, 0.5):
            row = power(sets, roads, passes, shared) | {"a pass missing false": incomplete(sets, roads, passes, shared)}
            print(f"{roads} roads, {passes} + {passes} rounds, shared {shared:.0%}", end="; ")
            print(*(f"{what} {100 * value:.1f}" for what, value in row.items()), sep="; ")
    for roads, passes in ((2, 3), (2, 6), (3, 3), (3, 6), (5, 4)):
        for shared in (0.0, 0.5):
            same = differ(sets, roads, passes, shared, np.full(roads, 0.1))
            apart = differ(sets, roads, passes, shared, np.linspace(0.0, 0.2, roads))
            print(f"{roads} roads, {passes} + {passes}, shared {shared:.0%}: shown to differ when they do not", end=" ")
            print(f"{same[0]:.3f} (Q {same[1]:.3f}); when they are 20 % apart {apart[0]:.3f}")
    for rough, smooth in ((0.0, 0.0), (0.08, 0.08), (0.15, 0.15), (0.15, 0.0), (0.25, 0.10)):
        row = readings(min(sets, 2000), 6, rough, smooth)
        print(
            f"rough +{rough:.0%}, smooth +{smooth:.0%}, 6 + 6",
            *(f"{what} {v:.3f}" for what, v in row.items()),
            sep="; ",
        )
