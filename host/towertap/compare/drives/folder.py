"""From a folder of captures to the passes of a comparison: what is named, sound, and of a kind."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from towertap.analysis import Analysis, analyse_capture
from towertap.bench.carried import records_for
from towertap.capture.conditions import Conditions, StruckOut
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import Capture, open_capture
from towertap.compare.drives.differences import differences
from towertap.compare.drives.model import (
    CELL_S,
    CELLS_A_WINDOW,
    ClippedOut,
    Drives,
    Excluded,
    Pass,
    Quantity,
    Reading,
    Side,
    Source,
    name_of,
)
from towertap.compare.drives.positions import at_position, inputs_at
from towertap.compare.drives.unused import nearly_alike, spelt_twice, unused
from towertap.doors.times import local
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.signals.metrics import METRICS, THIRDS

TOUCHING = {"clipping", "fifo_overflows"}
"""Rules that speak of single windows: a pass that breaks no other is used without those."""
MOST_TOUCHED = 0.25
"""Of a pass; with more it is left out."""

Measures = Mapping[str, Callable[[Reading], Any]]
"""What else is taken from each capture while it is open, by name: see `Pass.measured`."""
Outcome = tuple[Pass, float] | TowertapError
"""A pass and its nominal rate in Hz, or why it cannot be used."""


def load_passes(
    folder: Path,
    before: str,
    after: str,
    smooth: str,
    *,
    measures: Measures | None = None,
    include_unsound: bool = False,
    whole: bool = False,
    bench: Path | None = None,
    position: str | None = None,
    input_position: str | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Drives:
    """Read every capture (*.h5, not in subfolders) of `folder` that was made with the part `before` or `after`.

    Captures of another part or box position, and those that cannot be read, are struck out or not sound (unless
    `include_unsound`), hold no whole window, or copy another are left out and listed with the reason; so are standing
    and pulling away in a capture, unless the `whole` of it is asked for. `bench` is the folder of the bench records, by
    default `bench` in `folder`; `position` is the box position to use where passes were recorded at two,
    `input_position` that of a second box on the part's input side. `on_progress(done, total)` is called before each
    capture. Raises CallError when a name matches nothing, AnalysisError when no capture can be used or their rates
    differ.
    """
    if bench and not bench.is_dir():
        raise CallError(f"no folder '{bench}': name the one that holds the bench records")
    excluded: list[Excluded] = []
    sides: dict[str, Side] = {before: "before", after: "after"}
    reader = PassReader(measures or {}, include_unsound, whole, bench)
    outcomes: dict[Path, Outcome] = {}
    paths = captures_in(folder)
    if input_position:  # which captures are of one pass must be known before any is read
        known = dict(labels(paths, excluded))
    else:
        known, outcomes = reader.survey(paths, sides, position, excluded, on_progress)
    _refuse_unknown(known.values(), before, after, smooth, excluded)
    chosen = {path: sides[label.part] for path, label in known.items() if label.road and label.part in sides}
    chosen = at_position(known, chosen, position, excluded)
    used = {*chosen}
    if input_position:
        inputs = inputs_at(known, chosen, input_position)
        used.update(path for of_pass in inputs.values() for path in of_pass)
        outcomes = dict(reader.open(chosen, inputs, on_progress))
    passes = _usable({path: outcomes[path] for path in chosen}, excluded)
    told = {capture.capture for capture in excluded}
    others = unused(known, used, (before, after), position)
    excluded += [capture for capture in others if capture.capture not in told]
    _refuse_without_smooth(smooth, known, passes, excluded)
    drives = Drives(
        folder=folder,
        before=before,
        after=after,
        smooth=smooth,
        quantities=tuple(quantities_of(passes)),
        passes=tuple(passes),
        excluded=tuple(excluded),
        clipped_out=tuple(
            ClippedOut(known[path].road, side)
            for path, side in chosen.items()
            if isinstance(outcomes[path], _ClippedOutError)
        ),
        input_position=input_position,
    )
    return replace(drives, warnings=(*differences(drives), *spelt_twice(known.values(), (before, after))))


def captures_in(folder: Path) -> list[Path]:
    """The captures (*.h5) of a folder, by name; CallError where there is none."""
    if not folder.is_dir():
        raise CallError(f"no folder '{folder}': name the folder that holds the captures")
    paths = sorted(folder.glob("*.h5"))
    if not paths:
        inside = next((f"; there are some in {path.parent}" for path in sorted(folder.glob("*/*.h5"))), "")
        raise CallError(f"no captures (*.h5) in '{folder}': record or decode some, or name another folder{inside}")
    return paths


def read_passes(
    chosen: Mapping[Path, Side],
    excluded: list[Excluded],
    *,
    bench: Path | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> list[Pass]:
    """Read some captures, each with its side; those that cannot be used join `excluded`.

    The rest is as in `load_passes`. Raises AnalysisError when none can be used or their rates differ.
    """
    reader = PassReader({}, include_unsound=False, whole=False, bench=bench)
    return _usable(dict(reader.open(chosen, None, on_progress)), excluded)


def _usable(outcomes: Mapping[Path, Outcome], excluded: list[Excluded]) -> list[Pass]:
    """The passes that were read, each recording once; the others join `excluded`."""
    passes: list[Pass] = []
    rates: dict[float, list[str]] = defaultdict(list)
    recordings: dict[str, str] = {}
    for path, outcome in outcomes.items():
        name = name_of(path)
        if isinstance(outcome, TowertapError):
            seen = isinstance(outcome, _StruckOutError) and outcome.struck.after_values
            excluded.append(Excluded(name, str(outcome).removeprefix(f"{path}: "), seen))
            continue
        drive, rate_hz = outcome
        if drive.source and (twin := recordings.setdefault(drive.source.raw_sha256, name)) != name:
            excluded.append(Excluded(name, f"the same recording as {twin}"))
            continue
        rates[rate_hz].append(name)
        passes.append(drive)
    if not passes:
        why = f"; {excluded[0].capture}: {excluded[0].reason}" if excluded else ""
        raise AnalysisError(f"none of {len(outcomes)} captures can be used{why}")
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
    parts, roads = ({getattr(label, name) for label in known} - {""} for name in ("part", "road"))
    if not known and excluded:
        raise CallError(f"no capture can be read; {excluded[0].capture}: {excluded[0].reason}")
    if before == after:
        raise CallError(f"--before and --after both name '{before}': name two parts of {_listed(parts)}")
    for part in (before, after):
        if part not in parts:
            meant = next((f"; did you mean '{name}'?" for name in sorted(parts) if nearly_alike(name, part)), "")
            raise CallError(
                f"no capture with the part '{part}': parts are {_listed(parts)}; roads are {_listed(roads)}{meant}"
            )
    if smooth not in roads:
        raise CallError(f"no capture of the road '{smooth}': roads are {_listed(roads)}; parts are {_listed(parts)}")
    if roads == {smooth}:
        raise CallError(f"every capture is of the smooth road '{smooth}': record a rough road as well")


def _refuse_without_smooth(
    smooth: str, known: Mapping[Path, Conditions], passes: Sequence[Pass], excluded: Sequence[Excluded]
) -> None:
    """AnalysisError where no capture of the smooth road is left, which sets the limit of what is rough."""
    if any(drive.road == smooth for drive in passes):
        return
    of_road = {name_of(path) for path, label in known.items() if label.road == smooth}
    why = next((f"; {capture.capture}: {capture.reason}" for capture in excluded if capture.capture in of_road), "")
    raise AnalysisError(f"no capture of the smooth road '{smooth}' can be used, so nothing says what is rough{why}")


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in sorted(names)) or "not written down in any capture"


class _ClippedOutError(AnalysisError):
    """Too much of the pass is clipped."""


class _StruckOutError(AnalysisError):
    """Somebody struck the pass out."""

    def __init__(self, struck: StruckOut) -> None:
        super().__init__(struck.words)
        self.struck = struck


@dataclass(frozen=True)
class PassReader:
    """Reads passes from captures, each in one opening, with all that is measured while it is open."""

    measures: Measures
    include_unsound: bool
    whole: bool
    """Keep standing and pulling away."""
    bench: Path | None

    def survey(
        self,
        paths: Sequence[Path],
        sides: Mapping[str, Side],
        position: str | None,
        excluded: list[Excluded],
        on_progress: Callable[[int, int], None] | None,
    ) -> tuple[dict[Path, Conditions], dict[Path, Outcome]]:
        """The conditions of every capture, and what becomes of those with a part of `sides` in the same opening.

        Those that do not open join `excluded`, those made elsewhere than at a `position` that is named are not read.
        """
        known: dict[Path, Conditions] = {}
        outcomes: dict[Path, Outcome] = {}
        for done, path in enumerate(paths):
            if on_progress:
                on_progress(done, len(paths))
            try:
                with open_capture(path) as capture:
                    known[path] = label = capture.conditions
                    if label.road and label.part in sides and position in (None, label.box_position):
                        outcomes[path] = self.read(capture, sides[label.part])
            except TowertapError as error:
                excluded.append(Excluded(path.stem, str(error).removeprefix(f"{path}: ")))
        return known, outcomes

    def open(
        self,
        chosen: Mapping[Path, Side],
        inputs: Mapping[Path, Sequence[Path]] | None,
        on_progress: Callable[[int, int], None] | None,
    ) -> Iterator[tuple[Path, Outcome]]:
        """Open and read some captures, each with its side; `inputs` are those of the same pass by a second box."""
        for done, (path, side) in enumerate(chosen.items()):
            if on_progress:
                on_progress(done, len(chosen))
            outcome: Outcome
            try:
                with open_capture(path) as capture:
                    outcome = self.read(capture, side, None if inputs is None else tuple(inputs.get(path, ())))
            except TowertapError as error:
                outcome = error
            yield path, outcome

    def read(self, capture: Capture, side: Side, inputs: tuple[Path, ...] | None = None) -> Outcome:
        """One pass from an open capture, or why it cannot be used."""
        try:
            with threadpool_limits(1, user_api="blas"):  # threads cost more than such small products
                return self._read(capture, side, inputs)
        except TowertapError as error:
            return error

    def _read(self, capture: Capture, side: Side, inputs: tuple[Path, ...] | None) -> tuple[Pass, float]:
        if capture.struck_out:
            raise _StruckOutError(capture.struck_out)
        integrity = check(capture)
        broken = {rule.name for rule in integrity.rules if rule.ok is False}
        touched = bool(broken) and broken <= TOUCHING and not self.whole and not self.include_unsound
        why_not = f"not sound: {'; '.join(integrity.reasons)}"
        if not (integrity.sound or touched or self.include_unsound):
            raise AnalysisError(why_not)
        records = records_for(capture, self.bench)
        analysis = analyse_capture(
            capture,
            window_s=CELL_S,
            metrics=[*METRICS, *THIRDS],
            bench=records,
            knocks=True,
            whole=self.whole,
            clipped_s=integrity.clipped_s if touched else (),
        )
        if touched and (lost := _touched_share(analysis, integrity)) > MOST_TOUCHED:
            what = _ClippedOutError if "clipping" in broken else AnalysisError
            raise what(f"{why_not}; {100 * lost:.0f} % of it is touched, too much to use the rest")
        windows = analysis.joined(CELLS_A_WINDOW)
        if windows.empty:
            raise AnalysisError("too short or too broken for one whole window")
        reading = Reading(capture, side, analysis, windows, inputs, self.include_unsound, self.bench)
        drive = Pass(
            path=capture.path,
            side=side,
            conditions=capture.conditions,
            integrity=integrity,
            windows=windows,
            cells=analysis.windows,
            kept=analysis.kept.kept,
            whole=analysis.whole,
            noise=analysis.noise,
            beyond=analysis.beyond,
            bench=analysis.bench,
            to_vehicle=analysis.to_vehicle,
            started=began(capture),
            source=_source(capture),
            forward_ms2=analysis.course.forward_ms2,
            moving=analysis.moving,
            touched=touched,
            measured={name: measure(reading) for name, measure in self.measures.items()},
            left_out=analysis.left_out,
        )
        return drive, capture.odr_hz


def _touched_share(analysis: Analysis, integrity: Integrity) -> float:
    """How much of a pass its clipped samples, and the filters' settling after its gaps, take."""
    clipped_s = analysis.moving.touched.sum() * CELL_S if analysis.moving else 0.0
    return float((clipped_s + analysis.settling_s * len(integrity.gaps)) / integrity.seconds)


def _source(capture: Capture) -> Source:
    with capture.path.open("rb") as file:
        fingerprint = hashlib.file_digest(file, "sha256").hexdigest()
    firmware = str(capture.hello.get("firmware", "not said"))
    return Source(capture.text("chip"), firmware, fingerprint, capture.text("raw_sha256"), not capture.is_imported)


def began(capture: Capture) -> datetime | None:
    """When the recording began, as a clock showed it there; None where the capture does not say."""
    return local(capture.text("started_utc"), capture.utc_offset_s)


def quantities_of(passes: Sequence[Pass]) -> Iterable[Quantity]:
    """The metrics that every pass carries."""
    for name, metric in METRICS.items():
        if all(name in drive.windows for drive in passes):
            yield Quantity(name, metric.label, metric.unit)
