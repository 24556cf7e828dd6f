"""A pilot: a few passes with nothing changed, and how far their figures stray."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from towertap.analysis import analyse_capture
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.compare.stats.power import CAUTION, Spread, coefficient_of_variation, pilot_spread
from towertap.errors import AnalysisError, CallError, TowertapError


@dataclass(frozen=True)
class Pilot:
    """The spread of a pilot, and `words` on where it comes from; `left_out` names the captures that were not used."""

    spread: Spread
    words: str
    left_out: tuple[str, ...]


def load_pilot(
    folder: Path,
    metric: str,
    roads: Sequence[str],
    position: str = "",
    on_progress: Callable[[int, int], None] | None = None,
) -> Pilot:
    """Estimate the spread of `metric` over whole passes from the captures (*.h5) in `folder` of the `roads` named.

    Passes alike in road and part form a group; spreads within groups are pooled, so that several roads or parts can
    share a pilot. Captures that are not sound are left out, and so are those of a box elsewhere than at `position`,
    where that is named. Raises CallError for a folder without such captures or with captures of several positions,
    AnalysisError when no group has two passes.
    """
    paths = sorted(folder.glob("*.h5"))
    if not paths:
        raise CallError(f"no captures (*.h5) in '{folder}': record a pilot, or say the spread as a number")
    groups: dict[tuple[str, str], list[float]] = defaultdict(list)
    left_out, seen, recordings, positions = [], set(), set(), set()
    for done, path in enumerate(paths):
        if on_progress:
            on_progress(done, len(paths))
        try:
            with open_capture(path) as capture:
                seen.add(capture.conditions.road)
                if capture.conditions.road not in roads:
                    continue
                if position and capture.conditions.box_position not in ("", position):
                    continue
                if not (integrity := check(capture)).sound:
                    raise AnalysisError(f"not sound: {'; '.join(integrity.reasons)}")
                if capture.text("raw_sha256") in recordings:
                    raise AnalysisError("the same recording as another")
                recordings.add(capture.text("raw_sha256"))
                figure = analyse_capture(capture, metrics=[metric]).whole[metric]
                if not figure > 0:
                    raise AnalysisError(f"no {metric} in it")
                positions.add(capture.conditions.box_position)
                groups[capture.conditions.road, capture.conditions.part].append(figure)
        except TowertapError as error:
            left_out.append(f"{path.stem}: {str(error).removeprefix(f'{path}: ')}")
    if not position and len(positions) > 1:
        told = ", ".join(f"'{one}'" for one in sorted(positions))
        raise CallError(f"the pilot in '{folder}' is of several boxes ({told}): name one with --box-position")
    if not groups:
        why = f"; {left_out[0]}" if left_out else f"; its roads are {', '.join(sorted(seen)) or 'not written down'}"
        raise CallError(f"the pilot in '{folder}' has no usable pass over {' or '.join(roads)}{why}")
    spread = pilot_spread(list(groups.values()))
    used = [f"{len(figures)} over {road} with {part}" for (road, part), figures in groups.items() if len(figures) > 1]
    words = (
        f"pilot ({', '.join(used)}): {100 * coefficient_of_variation(spread.value):.1f} %, and with {CAUTION:.0%} "
        f"confidence below {100 * coefficient_of_variation(spread.upper):.1f} %, which the plan takes"
    )
    return Pilot(spread, words.replace("0% ", "0 % "), tuple(left_out))
