"""A pilot: a few passes with nothing changed, and how far they differ."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from towertap.analysis import analyse_capture
from towertap.capture.integrity import check
from towertap.capture.reading import Capture, open_capture
from towertap.compare.stats.power import CAUTION, Spread, coefficient_of_variation, pilot_spread
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.words.phrases import quoted


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
    left_out, driven, recordings, positions = [], set(), set(), set()
    for done, path in enumerate(paths):
        if on_progress:
            on_progress(done, len(paths))
        try:
            with open_capture(path) as capture:
                said, recording = capture.conditions, capture.text("raw_sha256")
                driven.add(said.road)
                if said.road not in roads or (position and said.box_position not in ("", position)):
                    continue
                if recording in recordings:
                    raise AnalysisError("the same recording as another")
                level = _level(capture, metric)
                groups[said.road, said.part].append(level)
                recordings.add(recording)
                positions.add(said.box_position)
        except TowertapError as error:
            left_out.append(f"{path.stem}: {str(error).removeprefix(f'{path}: ')}")
    if not position and len(positions) > 1:
        raise CallError(
            f"the pilot in '{folder}' is of several boxes ({quoted(positions)}): name one with --box-position"
        )
    if not recordings:
        why = left_out[0] if left_out else f"its roads are {', '.join(sorted(driven)) or 'not written down'}"
        raise CallError(f"the pilot in '{folder}' has no usable pass over {' or '.join(roads)}; {why}")
    spread = pilot_spread(list(groups.values()))
    used = [f"{len(levels)} over {road} with {part}" for (road, part), levels in groups.items() if len(levels) > 1]
    value, upper = (100 * coefficient_of_variation(limit) for limit in (spread.value, spread.upper))
    words = (
        f"pilot ({', '.join(used)}): {value:.1f} %, and with {100 * CAUTION:.0f} % confidence below {upper:.1f} %, "
        "which the plan takes"
    )
    return Pilot(spread, words, tuple(left_out))


def _level(capture: Capture, metric: str) -> float:
    """The r.m.s. of a metric over a whole pass; AnalysisError where it cannot be used."""
    if not (integrity := check(capture)).sound:
        raise AnalysisError(f"not sound: {'; '.join(integrity.reasons)}")
    level = analyse_capture(capture, metrics=[metric]).whole[metric]
    if not level > 0:
        raise AnalysisError(f"no {metric} in it")
    return level
