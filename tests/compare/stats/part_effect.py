"""False alarms about the part when nothing changed, and the power that avoiding them costs; run it for all tables.

`python -m tests.compare.stats.part_effect [SETS]` draws SETS sets (20,000 by default) of logarithms of passes that vary
by 4 %, with installations and days that vary as well, and prints for each design how often a difference is shown on
these drives and about the part, how often the interval about the part covers, how often a change at the margin is
called equivalent, and the power at 10 and 20 %. Then the same if the truth is a third larger than assumed, if passes
vary little or are many, with controls driven before, and with other estimators.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from scipy.special import chdtri, ndtr, stdtrit
from towertap.compare.stats.contrast import pass_contrast
from towertap.compare.stats.design import Design
from towertap.compare.stats.part import (
    ASSUMED_SD,
    GIVEN_DF,
    UNKNOWN_SPREAD,
    Beforehand,
    MeasuredVariance,
    between_installations,
    statements,
    within_cells,
)
from towertap.compare.stats.planning import PlannedDesign, invented

PASS_SD, MARGIN = 0.04, 0.10
ORDERS = {
    "a day each": "A;B",
    "A B B A": "AB|BA",
    "A B B A, B fitted twice": "AB|B'A",
    "three blocks": "AB|BA|AB",
    "three blocks, fitted again": "AB|B'A|A'B",
    "three days of each part": "A;B;A;B;A;B",
}
PASSES = (3, 4, 6, 12)
TRUE_SDS = (0.0, 0.02, 0.03, 0.04)


def design(order, passes):
    """The design with so many passes per side; None if its stretches cannot share them equally."""
    planned = PlannedDesign(order)
    stretches = sum(stretch.after for stretch in planned.stretches)
    return planned.design(passes // stretches) if passes % stretches == 0 else None


def judged(planned, true_sd, sets, seed, pass_sd=PASS_SD, known=UNKNOWN_SPREAD):
    """Statements on `sets` sets of a design with nothing changed."""
    return statements(invented(planned, (pass_sd, true_sd, true_sd), sets, seed), planned, known, known)


def rates(given, margin=MARGIN):
    """Shares of sets: shown on these drives, and of the part, covered, equivalent at the margin; power; half-width."""
    part, drives = given.part, given.drives
    inside = np.log1p(margin) - part.half_width(0.10)
    equivalent = np.abs(part.difference) < inside
    different = np.abs(part.difference) > part.half_width()
    return {
        "drives": np.mean(np.abs(drives.difference) > drives.half_width()),
        "part": np.mean(different & ~equivalent),
        "covers": np.mean(~different),
        "margin equivalent": np.mean(np.abs(part.difference + np.log1p(margin)) < inside),
        "10 %": np.mean(part.difference + np.log(1.1) > part.half_width()),
        "20 %": np.mean(part.difference + np.log(1.2) > part.half_width()),
        "half-width": np.mean(part.half_width()),
    }


def known_before(true_sd):
    """The assumption if it is no smaller than the truth, else the truth as stated."""
    return UNKNOWN_SPREAD if true_sd <= ASSUMED_SD else Beforehand(stated_sd=true_sd)


def with_controls(controls, true_sd, sets, order="A;B", passes=4):
    """Rates with so many refit controls and as many no-change days, of four and four passes, driven before."""
    planned, draw = design(order, passes), np.random.default_rng([controls, 3])
    logs = invented(planned, (PASS_SD, true_sd, true_sd), sets, [controls, 2])
    error = PASS_SD * np.sqrt(2 / 4)
    differences = np.hypot(np.sqrt(2) * true_sd, error) * draw.standard_normal((sets, 2, controls))
    estimates = error**2 * draw.chisquare(6, (sets, 2, controls)) / 6
    variances = ((np.square(differences) - estimates) / 2).mean(axis=2)
    rows = []
    for values, (installation, day) in zip(logs, variances, strict=True):
        known = [Beforehand(MeasuredVariance(float(variance), float(controls))) for variance in (installation, day)]
        given = statements(values, planned, *known)
        rows.append(rates(given) | {"replaced": given.components.installation.measured})
    return {what: np.mean([row[what] for row in rows]) for what in rows[0]}


def alternatives(planned, true_sd, sets, seed):
    """The differences, and half-widths (sets,) of other estimators, if each part was fitted several times."""
    logs = invented(planned, (PASS_SD, true_sd, true_sd), sets, seed)
    drives, own = pass_contrast(logs, planned.after, planned.block), between_installations(logs, planned)
    variance, within_df = within_cells(logs, planned)
    passes = variance * (planned.weights @ planned.weights)
    coefficient = planned.installation_coefficient
    alone = np.sqrt(np.fmax(passes + coefficient * own.variance, 1e-12))
    pooled = statements(logs, planned).components.installation
    spread = coefficient * pooled.sd**2
    df = (passes + spread) ** 2 / (passes**2 / within_df + spread**2 / pooled.df)
    return drives.difference, {
        "installations as the units": stdtrit(own.df, 0.975) * alone,
        "Satterthwaite over all": stdtrit(df, 0.975) * np.sqrt(passes + spread),
        "half-widths in squares": np.hypot(drives.half_width(), stdtrit(pooled.df, 0.975) * np.sqrt(spread)),
        "as it is": statements(logs, planned).part.half_width(),
    }


def given_alternatives(planned, true_sd, sets, seed):
    """The differences, and half-widths (sets,) of other ways to join given spreads with the passes' own."""
    given = judged(planned, true_sd, sets, seed)
    left = ASSUMED_SD * np.sqrt(planned.installation_coefficient + planned.day_coefficient)
    return given.part.difference, {
        "Satterthwaite alone": replace(given.part, at_least=None).half_width(),
        "half-widths in squares": np.hypot(given.drives.half_width(), stdtrit(GIVEN_DF, 0.975) * left),
        "as it is": given.part.half_width(),
    }


def unequal(before, after, sds, sets, seed):
    """Rates with a day each, the sides unequal in passes, which vary by `sds`; spreads of 0."""
    side = np.repeat([False, True], [before, after])
    planned = Design.of(side, side.tolist(), side.tolist())
    logs = np.where(side, sds[1], sds[0]) * np.random.default_rng(seed).standard_normal((sets, side.size))
    return rates(statements(logs, planned, Beforehand(stated_sd=0.0), Beforehand(stated_sd=0.0)))


def shown_by_weight(measured_df, true_sd=0.04, steps=4000):
    """Shares shown by the degrees of freedom that the assumption counts as, if passes do not vary."""
    chi = chdtri(measured_df, (np.arange(steps) + 0.5) / steps) / measured_df
    shares = {}
    for weight in (0, 1, 2, 3):
        df = weight + measured_df
        width = stdtrit(df, 0.975) * np.sqrt((weight * ASSUMED_SD**2 + measured_df * true_sd**2 * chi) / df)
        shares[f"{weight} df"] = 2 * ndtr(-width / true_sd).mean()
    return shares


def _row(name, row):
    print(name, *(f"{what} {100 * value:.1f}" for what, value in row.items()), sep="; ", flush=True)


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    print("nothing changed; spreads measured in the set, assumed at 3 %, or stated as they are (4 %); in per cent")
    for name, order in ORDERS.items():
        for passes in PASSES:
            if (planned := design(order, passes)) is None:
                continue
            for seed, true_sd in enumerate(TRUE_SDS):
                given = judged(planned, true_sd, sets, [passes, seed], known=known_before(true_sd))
                source = given.components.installation.source
                _row(f"{name}, {passes} + {passes}, true {true_sd:.0%}, {source}", rates(given))
    print("\nthe truth a third larger than assumed (4 % against 3 %)")
    for name, order in ORDERS.items():
        for passes in PASSES:
            if (planned := design(order, passes)) is not None:
                given = judged(planned, 0.04, sets, [passes, 9])
                small = np.mean(given.part.p_difference() < 0.01)
                row = rates(given) | {"p < 0.01": small}
                _row(f"{name}, {passes} + {passes}, {given.components.installation.source}", row)
    print("\nmany passes, or passes that vary by 1.5 %")
    for name, order in ORDERS.items():
        for passes, pass_sd in ((48, PASS_SD), (12, 0.015)):
            for seed, true_sd in enumerate(TRUE_SDS[1:]):
                planned = design(order, passes)
                given = judged(planned, true_sd, sets, [passes, seed, 1], pass_sd, known_before(true_sd))
                _row(f"{name}, {passes} + {passes} that vary by {pass_sd:.1%}, true {true_sd:.0%}", rates(given))
    print("\na day each, 4 + 4, spreads from so many refit controls and as many no-change days (2,000 sets)")
    for controls in (1, 2, 3, 4, 6):
        for true_sd in TRUE_SDS:
            _row(f"{controls}, true {true_sd:.0%}", with_controls(controls, true_sd, min(sets, 2000)))
    print("\nfew passes, and sides that vary differently, a day each, spreads of 0")
    for before, after, sds in ((2, 2, (0.04, 0.04)), (4, 4, (0.06, 0.02)), (3, 6, (0.06, 0.02)), (2, 6, (0.06, 0.02))):
        _row(f"{before} + {after} that vary by {sds}", unequal(before, after, sds, sets, 6))
    print("\nother ways to join given spreads, shown with nothing changed, and with 20 %")
    for order, passes in (("A;B", 2), ("AB|BA", 2), ("AB|B'A", 2), ("A;B", 4), ("A;B", 12)):
        for true_sd in (0.02, 0.03):
            difference, widths = given_alternatives(design(order, passes), true_sd, sets, [passes, 7])
            for change in (0.0, 0.2):
                shares = {
                    what: np.mean(np.abs(difference + np.log1p(change)) > width) for what, width in widths.items()
                }
                _row(f"{order}, {passes} + {passes}, true {true_sd:.0%}, changed by {change:.0%}", shares)
    print("\nthe weight of the assumption, shown at a true 4 % if only installations vary")
    for measured_df in (1, 2, 3, 4, 6):
        _row(f"{measured_df} measured degrees of freedom", shown_by_weight(measured_df))
    print("\nother estimators, shown and half-width")
    again, days = "three blocks, fitted again", "three days of each part"
    for name, passes in ((again, 6), (again, 12), (days, 6), (days, 12)):
        for true_sd in TRUE_SDS:
            difference, widths = alternatives(design(ORDERS[name], passes), true_sd, sets, [passes, 5])
            shares = {what: np.mean(np.abs(difference) > width) for what, width in widths.items()}
            _row(f"{name}, {passes} + {passes}, true {true_sd:.0%}, shown", shares)
            _row("  half-width", {what: width.mean() for what, width in widths.items()})
