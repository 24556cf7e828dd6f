"""Planned power, false alarms and coverage over the gate by place, passes straying by 4 %, with blocks and without.

`python tests/compare/block_rates.py [RUNS]` invents RUNS sets of six passes a side over one of twenty rough roads, as
`error_rates.py` does, aligns each once, and compares it with nothing changed and with the part at the margin: by Welch,
and in blocks A B B A between which everything drifts. It prints the power that a plan promises for the spread that the
passes over each road really have, beside what came out. Passes stray by 4 % as drives, and by what their own line
makes of the road's few large bumps, so that some roads have twice the spread of others: a plan is for one road.
"""

from __future__ import annotations

import runpy
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from towertap.compare import comparison
from towertap.compare.road.places import find_places
from towertap.compare.stats.blocks import Slot
from towertap.compare.stats.power import difference_power, equivalence_power

PASSES, MARGIN, DRIFT = 6, 0.10, 0.05
RATIOS = (1.0, 1 + MARGIN)
ROADS = 20


def slots(drives):
    """A B B A: the first half of the passes of either part in the first block; the middle fitting is shared."""
    found = {}
    for one in drives.passes:
        part, number = one.conditions.part, one.conditions.pass_number
        block = 1 if number <= PASSES // 2 else 2
        found[part, one.road, number] = Slot(block, 2 if one.side == "after" else 2 * block - 1)
    return found


def drifted(drives, by):
    """Every pass of the second block over the rough road rougher by the factor `by`, whichever part is fitted."""

    def one_pass(one):
        if one.road == drives.smooth or one.conditions.pass_number <= PASSES // 2:
            return one
        columns = one.cells.columns.drop(["piece", "start_s"])
        scaled = [
            table.assign(**{name: table[name] * by for name in columns if name in table})
            for table in (one.cells, one.windows)
        ]
        return replace(one, cells=scaled[0], windows=scaled[1])

    return replace(drives, passes=tuple(one_pass(one) for one in drives.passes))


def outcomes(make, seeds):
    """Of each set (n, 2, 2, 6), by blocks or not and by ratio: p different, p equal, covers, variance, road, told."""
    rows = []
    for seed in seeds:
        quiet = make.driven(seed, n=(PASSES, PASSES), level=40.0, pass_spread=0.04, road=seed % ROADS)
        drift = np.exp(DRIFT * np.random.default_rng([seed, 7]).standard_normal())
        places = find_places(quiet.of("lane"))
        for blocks in (False, True):
            for ratio in RATIOS:
                drives = make.times_as_rough(drifted(quiet, drift) if blocks else quiet, ratio)
                held = replace(places, passes=drives.of("lane"))
                comparison.find_places = lambda passes, held=held: held
                try:
                    one = comparison.compare(
                        drives, MARGIN, metrics=["jerk_z"], blocks=slots(drives) if blocks else None
                    ).findings[0]
                finally:
                    comparison.find_places = find_places
                assert (one.blocked is not None) == blocks
                rows.append(
                    (
                        one.p_difference_holm,
                        one.p_equivalence_holm,
                        one.interval[0] <= ratio <= one.interval[1],
                        _variance(one, blocks),
                        seed % ROADS,
                        one.verdict in ("harsher", "gentler"),
                    )
                )
    return np.array(rows, float).reshape(-1, 2, len(RATIOS), 6)


def _variance(finding, blocks):
    """Pooled variance of the logarithm within side, and within block where there are blocks."""
    logs = np.log([[v.figure for v in side] for side in (finding.before_values, finding.after_values)])
    groups = logs.reshape(4, -1) if blocks else logs
    return groups.var(axis=1, ddof=1).mean()


def told(found):
    """By blocks or not: planned and reached power of either test, false alarms, equivalence at the margin, coverage."""
    table = {}
    for place, name in enumerate(("Welch", "A B B A")):
        mine, blocks = found[:, place], place + 1
        of_road = mine[:, 0, 4]
        spreads = [float(np.sqrt(mine[of_road == road, 0, 3].mean())) for road in of_road]
        table[name] = {
            "least spread of a road": min(spreads),
            "largest": max(spreads),
            "difference planned": np.mean([difference_power(1 + MARGIN, s, PASSES, blocks=blocks) for s in spreads]),
            "difference reached": np.mean(mine[:, 1, 0] < 0.05),
            "equivalence planned": np.mean([equivalence_power(MARGIN, s, PASSES, blocks=blocks) for s in spreads]),
            "equivalence reached": np.mean(mine[:, 0, 1] < 0.05),
            "no change told different": np.mean(mine[:, 0, 5]),
            "at the margin told equivalent": np.mean(mine[:, 1, 1] < 0.05),
            "covers": mine[:, :, 2].mean(),
        }
    return table


def _chunk(seeds):
    return outcomes(SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("conftest.py")))), seeds)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    chunks = []
    with ProcessPoolExecutor(2) as pool:
        for chunk in pool.map(_chunk, [range(start, min(start + 50, runs)) for start in range(0, runs, 50)]):
            chunks.append(chunk)
            print(f"{sum(map(len, chunks))} of {runs}", file=sys.stderr, flush=True)
    for name, row in told(np.concatenate(chunks)).items():
        print(name, *(f"{what} {value:.4g}" for what, value in row.items()), sep="; ")
