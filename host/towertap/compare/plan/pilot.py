"""How far passes differ with nothing changed: said, or measured by a pilot of a few passes."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import numpy as np

from towertap.compare.stats.contrast import NO_SPREAD
from towertap.compare.stats.planning import middle
from towertap.errors import AnalysisError, CallError
from towertap.words.phrases import listed, quoted

if TYPE_CHECKING:
    from towertap.compare.drives.reading import HowRead

Levels = dict[tuple[str, str], list[tuple[int | None, float]]]
"""Numbers and logarithms of passes, by road and part."""
FEWEST_DF = 3
"""With fewer from rounds (four rounds with one part), the spread is taken from passes."""


@dataclass(frozen=True)
class PassSpread:
    """How far rounds over all rough roads (passes, if there is one road) differ with nothing changed.

    `sd` is the standard deviation of the logarithm, estimated with `df` degrees of freedom (None: given), `words` say
    where it comes from, `left_out` are the captures of a pilot that were not used.
    """

    sd: float
    df: int | None
    words: str
    left_out: tuple[str, ...] = ()

    @property
    def planned(self) -> float:
        """The spread to plan with: the middle estimate."""
        return self.sd if self.df is None else middle(self.sd, self.df)


def said(pass_sd: float, roads: int) -> PassSpread:
    """A given spread from pass to pass, a fraction, converted to rounds over so many rough roads."""
    words = f"{100 * pass_sd:g} % from pass to pass, as stated and not measured"
    return PassSpread(pass_sd / math.sqrt(roads), None, words + _of_rounds(pass_sd, roads))


def load_pilot(
    folder: Path, metric: str, roads: Sequence[str], position: str = "", **how: Unpack[HowRead]
) -> PassSpread:
    """Estimate the spread of `metric` over whole passes from the captures (*.h5) in `folder` of these `roads`.

    From rounds (passes of one number and part over every road) if there are enough; else from passes of one road and
    part, as if roads varied independently. Captures that a comparison would not use are left out, and those of a box
    at another `position`, if given; they are read as in `load_passes`. Raises CallError for a folder without such
    captures or with captures of several positions, AnalysisError without two comparable passes.
    """
    from towertap.compare.drives.folder import captures_in, labels, read_passes  # most plans have no pilot to read
    from towertap.compare.drives.model import Excluded

    excluded: list[Excluded] = []
    known = {label.path: label.conditions for label in labels(captures_in(folder), excluded)}
    driven = {label.road for label in known.values()}
    chosen = [
        path
        for path, label in known.items()
        if label.road in roads and (not position or label.box_position in ("", position))
    ]
    if not chosen:
        why = f"{excluded[0].capture}: {excluded[0].reason}; " if excluded else ""
        why += f"its roads are {', '.join(sorted(driven)) or 'not written down'}"
        raise CallError(f"the pilot in '{folder}' has no usable pass over {' or '.join(roads)}; {why}")
    positions = {known[path].box_position for path in chosen}
    if not position and len(positions) > 1:
        raise CallError(
            f"the pilot in '{folder}' is of several boxes ({quoted(positions)}): name one with --box-position"
        )
    levels: Levels = defaultdict(list)
    for drive in read_passes(chosen, excluded, **how):
        if metric in drive.left_out:
            raise AnalysisError(f"the pilot has no {metric}: {drive.left_out[metric]}")
        if (level := drive.over_windows(metric)) > 0:
            conditions = drive.conditions
            levels[conditions.road, conditions.part].append((conditions.pass_number, math.log(level)))
        else:
            excluded.append(Excluded(drive.name, f"no {metric} in it"))
    sd, df, words = _spread(levels, roads)
    words += f"; planned with {100 * middle(sd, df):.1f} %, the middle estimate with {df} degrees of freedom"
    return PassSpread(sd, df, words, tuple(f"{left_out.capture}: {left_out.reason}" for left_out in excluded))


def _spread(levels: Levels, roads: Sequence[str]) -> tuple[float, int, str]:
    """The spread from round to round, its degrees of freedom, and its source in words."""
    rounds = _rounds(levels, roads) if len(roads) > 1 else {}
    sd, df = _pooled(rounds.values())
    if df >= FEWEST_DF and sd >= NO_SPREAD:
        used = listed([f"{len(logs)} with {part}" for part, logs in rounds.items()])
        return sd, df, f"pilot (rounds over {listed(roads)}: {used}): {100 * sd:.1f} % from round to round"
    sd, df = _pooled([log for _, log in passes] for passes in levels.values())
    if not df or sd < NO_SPREAD:
        raise AnalysisError(
            "a pilot needs at least two different passes over one road with one part, better four: drive some more"
        )
    used = ", ".join(f"{len(passes)} over {road} with {part}" for (road, part), passes in levels.items())
    words = f"pilot ({used}): {100 * sd:.1f} % from pass to pass"
    return sd / math.sqrt(len(roads)), df, words + _of_rounds(sd, len(roads))


def _rounds(levels: Levels, roads: Sequence[str]) -> dict[str, list[float]]:
    """The mean logarithm of each round over all roads, by part."""
    by_part: dict[str, list[float]] = {}
    for part in dict.fromkeys(part for _, part in levels):
        by_road = [dict(levels.get((road, part), [])) for road in roads]
        numbers = set.intersection(*map(set, by_road)) - {None}
        by_part[part] = [float(np.mean([logs[number] for logs in by_road])) for number in numbers]
    return by_part


def _pooled(groups: Iterable[Sequence[float]]) -> tuple[float, int]:
    """The standard deviation within groups, pooled, and its degrees of freedom."""
    usable = [group for group in groups if len(group) > 1]
    df = sum(len(group) - 1 for group in usable)
    squares = sum((len(group) - 1) * float(np.var(group, ddof=1)) for group in usable)
    return (math.sqrt(squares / df), df) if df else (math.nan, 0)


def _of_rounds(pass_sd: float, roads: int) -> str:
    """The spread from round to round that follows from that of passes, in words."""
    if roads == 1:
        return ""
    return f", so {100 * pass_sd / math.sqrt(roads):.1f} % from round to round if {roads} roads vary independently"
