"""What parts that ride otherwise each time they are fitted do to either analysis; run it for the full count.

`python tests/compare/fitting_spread.py [RUNS]` draws RUNS sets (2,000 by default) of figures of passes with nothing
changed but each fitting, and prints how often the additive analysis, which counts the passes alone, and the mixed model
tell them different, and how often the mixed model's interval covers.
"""

from __future__ import annotations

import sys

import numpy as np
from towertap.compare.stats.effect import additive
from towertap.compare.stats.mixed import mixed

DESIGNS = {"3 blocks, shared": (3, 2, True), "4 blocks": (4, 2, False), "4 blocks, shared": (4, 2, True)}
"""Blocks, passes of a part in each, and whether neighbouring blocks share a fitting."""
PASS_SPREAD = 0.04


def fit(logs, part, block, fitting):
    """The mixed model and the additive estimate of logarithms (n,)."""
    sides = logs[part == 0], logs[part == 1]
    plain = additive(*sides, (block[part == 0], block[part == 1]))
    return mixed(logs, part, block, fitting, plain, 0.1), plain


def drawn(seed, blocks, passes, fitting_spread, *, block_spread=0.05, pass_spread=0.02, change=0.08, shared=False):
    """Logarithms of figures with `passes` of each part in each block; A B B A and so on where fittings are `shared`."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(blocks), 2 * passes)
    part = np.tile(np.repeat([0.0, 1.0], passes), blocks)
    fitting = 2 * block + part.astype(int)
    if shared:
        turned = np.where(block % 2, 1 - part, part).astype(int)
        fitting = block + turned  # block 0: A 0, B 1; block 1: B 1, A 2; block 2: A 2, B 3
    logs = 3 + change * part + block_spread * rng.standard_normal(blocks)[block]
    logs += fitting_spread * rng.standard_normal(fitting.max() + 1)[fitting]
    return logs + pass_spread * rng.standard_normal(block.size), part, block, fitting


def rates(runs, blocks, passes, fitting_spread, shared=False):
    """Shares of sets with no change of the part that either analysis tells different, and that the mixed one covers."""
    different = []
    for seed in range(runs):
        data = drawn(seed, blocks, passes, fitting_spread, pass_spread=PASS_SPREAD, change=0.0, shared=shared)
        model, plain = fit(*data)
        if model is None:
            continue
        low, high = model.interval
        different.append((plain.p_difference() < 0.05, model.p_difference < 0.05, low <= 1 <= high))
    return dict(
        zip(
            ("additive told different", "mixed told different", "mixed covers"), np.mean(different, axis=0), strict=True
        )
    )


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for name, (blocks, passes, shared) in DESIGNS.items():
        for fitting_spread in (0.0, 0.02, 0.04):
            row = rates(runs, blocks, passes, fitting_spread, shared)
            print(f"{name}, fittings {fitting_spread:.0%}", *(f"{k} {v:.3f}" for k, v in row.items()), sep="; ")
