"""Planned power, false alarms and coverage over rough places, passes varying by 4 %, with blocks and without.

`python -m tests.compare.block_rates [RUNS]` invents RUNS sets of six passes a side over one of twenty rough roads, as
`error_rates.py` does, aligns each once, and compares it with nothing changed and with the part at the margin: by Welch,
and in blocks A B B A between which everything drifts. It prints the power that a plan promises for the true spread of
the passes over each road, next to the power reached. Passes vary by 4 % as drives, and by how their line meets the
road's few large bumps, so that some roads have twice the spread of others: a plan is for one road.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from towertap.compare.drives.slots import Slot
from towertap.compare.stats.contrast import ALPHA, pass_contrast
from towertap.compare.stats.planning import power_on_drives
from towertap.compare.study import lay_out

from tests.compare import invented

PASSES, MARGIN, DRIFT = 6, 0.10, 0.05
RATIOS = (1.0, 1 + MARGIN)
ROADS = 20


def planned(drives):
    """A B B A: the first half of each part's passes in the first block; the blocks share the middle installation."""
    slots = {}
    for drive in drives.passes:
        part, number = drive.conditions.part, drive.conditions.pass_number
        block = 1 if number <= PASSES // 2 else 2
        slots[part, drive.road, number] = Slot(block, 2 if drive.side == "after" else 2 * block - 1)
    return slots


def outcomes(make, seeds, **options):
    """For each set, by blocks or not and by ratio, (n, 2, 2, 6): p different, p equal, covers, variance, road, decided.

    With blocks, every pass of the second one is rougher by a drift, whatever is fitted.
    """
    rows = []
    for seed in seeds:
        drives = make.driven(seed, n=(PASSES, PASSES), level=40.0, pass_spread=0.04, road=seed % ROADS, **options)
        drift = np.exp(DRIFT * np.random.default_rng([seed, 7]).standard_normal())
        paired = lay_out(drives, MARGIN, ["jerk_z"], planned(drives))
        drifted = make.changed(
            paired,
            lambda drive, by=drift: drive if drive.conditions.pass_number <= PASSES // 2 else make.scaled(drive, by),
        )
        roads = (replace(road, design=paired.groups.design(road.passes, False)) for road in paired.roads)
        alone = replace(paired, roads=tuple(roads))
        for study in (alone, drifted):
            for ratio in RATIOS:
                (road,) = make.rougher(study, ratio).roads
                logs = np.log([road.rough["jerk_z"].value(drive).value for drive in road.passes])
                student = pass_contrast(logs, road.design.after, road.design.block)
                low, high = student.interval()
                groups = logs.reshape(2 if road.design.block is None else 4, -1)  # passes of one part and block
                rows.append(
                    (
                        student.p_difference(),
                        student.p_equivalence(MARGIN),
                        low <= ratio <= high,
                        groups.var(axis=1, ddof=1).mean(),
                        seed % ROADS,
                        student.verdict(MARGIN) in ("harsher", "gentler"),
                    )
                )
    return np.array(rows, float).reshape(-1, 2, len(RATIOS), 6)


def summarised(outcomes):
    """By blocks or not: planned and reached power of either test, false alarms, equivalence at the margin, coverage."""
    table = {}
    for place, name in enumerate(("Welch", "A B B A")):
        sets, blocks = outcomes[:, place], place + 1
        roads = sets[:, 0, 4]
        spreads = [float(np.sqrt(sets[roads == road, 0, 3].mean())) for road in roads]
        powers = [power_on_drives(blocks, PASSES, spread, MARGIN, ALPHA) for spread in spreads]
        table[name] = {
            "least spread of a road": min(spreads),
            "largest": max(spreads),
            "difference planned": np.mean([power.told[0] for power in powers]),
            "difference reached": np.mean(sets[:, 1, 0] < 0.05),
            "equivalence planned": np.mean([power.equivalent for power in powers]),
            "equivalence reached": np.mean(sets[:, 0, 1] < 0.05),
            "no change shown different": np.mean(sets[:, 0, 5]),
            "at the margin shown equivalent": np.mean(sets[:, 1, 1] < 0.05),
            "covers": sets[:, :, 2].mean(),
        }
    return table


def _chunk(seeds):
    return outcomes(invented, seeds)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    chunks = []
    with ProcessPoolExecutor(2) as pool:
        for chunk in pool.map(_chunk, [range(start, min(start + 50, runs)) for start in range(0, runs, 50)]):
            chunks.append(chunk)
            print(f"{sum(map(len, chunks))} of {runs}", file=sys.stderr, flush=True)
    for name, row in summarised(np.concatenate(chunks)).items():
        print(name, *(f"{what} {value:.4g}" for what, value in row.items()), sep="; ")
