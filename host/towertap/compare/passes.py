"""From a folder of captures to the passes of a comparison: what is named, sound, and of a kind."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import fmean

import pandas as pd

from towertap.analysis import analyse_capture
from towertap.bench.carried import records_for
from towertap.capture.conditions import Conditions
from towertap.capture.integrity import check
from towertap.capture.reading import Capture, open_capture
from towertap.compare.model import Drives, Excluded, Pass, Quantity, Side, name_of
from towertap.compare.places import CELL_S
from towertap.compare.positions import at_position
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.signals.metrics import METRICS, RMS, THIRDS

HELD = {
    "vehicle": "vehicles",
    "box_position": "box positions",
    "mounting": "mountings",
    "tyre_pressures_kpa": "tyre pressures",
}
"""Conditions that should be one text throughout, or else a change of them may pass for a change of the part."""

WINDOW_S = 1.0
"""Length of the windows of a pass."""
COMPARED = [metric.name for metric in METRICS.values() if metric.statistic is RMS]
"""The metrics whose windows have an energy mean."""

TEMPERATURE_STEP_C = 5.0
"""Warn where the air differs by more, between the sides' means or over all passes: rubber and damper oil stiffen in
the cold."""

DRIFT = (
    "all passes with one part were driven before all with the other, so drift in time (weather, tyres, bedding in) is "
    "not separated from the part; the order A B B A would separate it"
)


def load_passes(
    folder: Path,
    before: str,
    after: str,
    smooth: str,
    *,
    include_unsound: bool = False,
    bench: Path | None = None,
    position: str | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Drives:
    """Read every capture (*.h5, not in subfolders) of `folder` that was made with the part `before` or `after`.

    Captures that cannot be read, are not sound (unless `include_unsound`), hold no whole window, or copy another are
    left out and listed with the reason. `bench` is the folder of the bench records, by default `bench` in `folder`;
    `position` is the box position to use where passes were recorded at two. `on_progress(done, total)` is called
    before each capture. Raises CallError when a name matches nothing, AnalysisError when no capture can be used or
    their rates differ.
    """
    if bench and not bench.is_dir():
        raise CallError(f"no folder '{bench}': name the one that holds the bench records")
    if not folder.is_dir():
        raise CallError(f"no folder '{folder}': name the folder that holds the captures")
    paths = sorted(folder.glob("*.h5"))
    if not paths:
        inside = next((f"; there are some in {path.parent}" for path in sorted(folder.glob("*/*.h5"))), "")
        raise CallError(f"no captures (*.h5) in '{folder}': record or decode some, or name another folder{inside}")
    excluded: list[Excluded] = []
    known = dict(labels(paths, excluded))
    _refuse_unknown(known.values(), before, after, smooth, excluded)
    sides: dict[str, Side] = {before: "before", after: "after"}
    chosen = {path: sides[one.part] for path, one in known.items() if one.road and one.part in sides}
    chosen = at_position(known, chosen, position, excluded)
    passes = read_passes(chosen, excluded, include_unsound=include_unsound, bench=bench, on_progress=on_progress)
    drives = Drives(
        folder=folder,
        before=before,
        after=after,
        smooth=smooth,
        quantities=tuple(quantities_of(passes)),
        passes=tuple(passes),
        excluded=tuple(excluded),
    )
    return replace(drives, warnings=(*_order_warnings(drives), *_warnings(passes)))


def read_passes(
    chosen: Mapping[Path, Side],
    excluded: list[Excluded],
    *,
    include_unsound: bool = False,
    bench: Path | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> list[Pass]:
    """Read some captures, each with its side; those that cannot be used join `excluded`.

    The rest is as in `load_passes`. Raises AnalysisError when none can be used or their rates differ.
    """
    passes: list[Pass] = []
    rates: dict[float, list[str]] = defaultdict(list)
    recordings: dict[str, str] = {}
    for done, (path, side) in enumerate(chosen.items()):
        if on_progress:
            on_progress(done, len(chosen))
        name = name_of(path)
        try:
            one, rate, recording = _load(path, side, include_unsound, bench)
            if (twin := recordings.setdefault(recording, name)) != name:
                raise AnalysisError(f"the same recording as {twin}")
        except TowertapError as error:
            excluded.append(Excluded(name, str(error).removeprefix(f"{path}: ")))
            continue
        rates[rate].append(name)
        passes.append(one)
    if not passes:
        why = f"; {excluded[0].capture}: {excluded[0].reason}" if excluded else ""
        raise AnalysisError(f"none of {len(chosen)} captures can be used{why}")
    if len(rates) > 1:
        kinds = "; ".join(f"{rate:g} Hz: {', '.join(names)}" for rate, names in sorted(rates.items()))
        raise AnalysisError(f"captures of different sample rates cannot be compared ({kinds}): keep those of one rate")
    return passes


def labels(paths: Iterable[Path], excluded: list[Excluded]) -> Iterable[tuple[Path, Conditions]]:
    """The conditions of every capture that opens; those that do not join `excluded`."""
    for path in paths:
        try:
            with open_capture(path) as capture:
                yield path, capture.conditions
        except TowertapError as error:
            excluded.append(Excluded(path.stem, str(error).removeprefix(f"{path}: ")))


def _refuse_unknown(
    known: Iterable[Conditions], before: str, after: str, smooth: str, excluded: list[Excluded]
) -> None:
    known = list(known)
    parts, roads = ({getattr(one, name) for one in known} - {""} for name in ("part", "road"))
    if not known and excluded:
        raise CallError(f"no capture can be read; {excluded[0].capture}: {excluded[0].reason}")
    if before == after:
        raise CallError(f"--before and --after both name '{before}': name two parts of {_listed(parts)}")
    for part in (before, after):
        if part not in parts:
            raise CallError(
                f"no capture with the part '{part}': parts are {_listed(parts)}; roads are {_listed(roads)}"
            )
    if smooth not in roads:
        raise CallError(f"no capture of the road '{smooth}': roads are {_listed(roads)}; parts are {_listed(parts)}")
    if roads == {smooth}:
        raise CallError(f"every capture is of the smooth road '{smooth}': record a rough road as well")


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in sorted(names)) or "not written down in any capture"


def _load(path: Path, side: Side, include_unsound: bool, bench: Path | None) -> tuple[Pass, float, str]:
    """One pass, its nominal rate in Hz and its raw recording's SHA-256; AnalysisError says why it cannot be used."""
    with open_capture(path) as capture:
        integrity = check(capture)
        if not integrity.sound and not include_unsound:
            raise AnalysisError(f"not sound: {'; '.join(integrity.reasons)}")
        names, records = [*COMPARED, *THIRDS], records_for(capture, bench)
        analysis = analyse_capture(capture, window_s=CELL_S, metrics=names, bench=records, knocks=True)
        windows = joined(analysis.windows, round(WINDOW_S / CELL_S))
        if windows.empty:
            raise AnalysisError("too short or too broken for one whole window")
        one = Pass(
            path,
            side,
            capture.conditions,
            integrity,
            windows,
            analysis.windows,
            analysis.whole,
            analysis.noise,
            analysis.beyond,
            analysis.bench,
            analysis.to_vehicle,
            began(capture),
            analysis.knocks,
        )
        return one, capture.odr_hz, capture.text("raw_sha256")


def began(capture: Capture) -> datetime | None:
    """When the recording began; None where the capture does not say."""
    return moment(capture.text("started_utc"))


def moment(text: str) -> datetime | None:
    """An instant written in ISO 8601, UTC where it says no zone; None where it is none."""
    with suppress(ValueError):
        instant = datetime.fromisoformat(text)
        return instant if instant.tzinfo else instant.replace(tzinfo=UTC)
    return None


def joined(cells: pd.DataFrame, count: int) -> pd.DataFrame:
    """Windows of `count` cells each from a table of cells, r.m.s., within pieces; a last one not full is dropped."""
    metrics = cells.columns.drop(["piece", "start_s"])
    squares = cells.assign(**{name: cells[name] ** 2 for name in metrics})
    groups = squares.groupby(["piece", (cells.groupby("piece").cumcount() // count).rename("number")])
    windows = groups.agg({"start_s": "first"} | dict.fromkeys(metrics, "mean"))[groups.size() == count]
    windows[metrics] **= 0.5
    return windows.reset_index("piece").reset_index(drop=True)


def quantities_of(passes: list[Pass]) -> Iterable[Quantity]:
    """The metrics that have an energy mean and that the rate of every pass carries."""
    for name in COMPARED:
        if all(name in one.windows for one in passes):
            yield Quantity(name, METRICS[name].label, METRICS[name].unit)


def _order_warnings(drives: Drives) -> Iterable[str]:
    """What the order of the drives says against the sides as named, and what it leaves mixed with the part."""
    if drives.first == "after":
        yield (
            f'every pass with {drives.before} ("before") was driven after every pass with {drives.after} ("after"); '
            "if that is not what was done, swap --before and --after"
        )
    if drives.first:
        yield DRIFT


def held_warnings(passes: list[Pass]) -> Iterable[str]:
    """Whatever should be the same throughout and differs between captures, in one line each."""
    for name, words in HELD.items():
        groups = defaultdict(list)
        for one in passes:
            groups[getattr(one.conditions, name)].append(one.name)
        if len(groups) > 1:
            told = "; ".join(f"'{text}' in {len(names)} ({names[0]} …)" for text, names in groups.items())
            yield f"{words} differ between captures: {told}; a change of it may pass for a change of the part"


def _warnings(passes: list[Pass]) -> Iterable[str]:
    """Whatever differs between captures beside the part, in one line each."""
    yield from held_warnings(passes)
    numbered = [(one.side, one.road, one.conditions.pass_number) for one in passes if one.conditions.pass_number]
    for side, road, number in sorted({key for key in numbered if numbered.count(key) > 1}):
        yield f"pass {number} on {road} is there more than once {side} the change"
    by_road = [words for road in sorted({one.road for one in passes}) for words in _road_warnings(passes, road)]
    yield from by_road
    air_c = [one.conditions.air_temperature_c for one in passes if one.conditions.air_temperature_c is not None]
    spread = bool(air_c) and max(air_c) - min(air_c) > TEMPERATURE_STEP_C
    if spread and not any(words.startswith("the air") for words in by_road):
        span = f"from {min(air_c):g} to {max(air_c):g} °C"
        yield f"the air went {span} over the passes, more than {TEMPERATURE_STEP_C:g} °C"
    for one in passes:
        if not one.integrity.sound:
            yield f"{one.name} is not sound but was asked for: {'; '.join(one.integrity.reasons)}"


def _road_warnings(passes: list[Pass], road: str) -> Iterable[str]:
    sides = [[one.conditions for one in passes if (one.road, one.side) == (road, side)] for side in ("before", "after")]
    if not all(sides):
        missing = "before" if sides[1] else "after"
        yield f"{road} was driven on one side only: there is no pass {missing} the change to hold the others against"
        return
    speeds = [{one.speed_kmh for one in side} for side in sides]
    if speeds[0] != speeds[1]:
        told = [", ".join(sorted("unknown" if v is None else f"{v:g}" for v in side)) for side in speeds]
        yield f"the speed aimed at on {road} differs: {told[0]} km/h before, {told[1]} km/h after the change"
    warmth = [[one.air_temperature_c for one in side if one.air_temperature_c is not None] for side in sides]
    if all(warmth) and abs(fmean(warmth[1]) - fmean(warmth[0])) > TEMPERATURE_STEP_C:
        yield f"the air on {road} was {fmean(warmth[0]):.0f} °C before and {fmean(warmth[1]):.0f} °C after the change"
