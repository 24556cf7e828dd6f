"""From an archive or a folder of captures to the sessions of one part on one vehicle.

Dates are the driver's, by the UTC offset stored with each capture.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TypeVar, Unpack

from towertap.archive import store
from towertap.archive.record import CAPTURE, NAME
from towertap.capture.conditions import Conditions
from towertap.compare.drives.differences import TEMPERATURE_STEP_C, changed_conditions, leaning_deg
from towertap.compare.drives.folder import (
    CaptureLabel,
    captures_in,
    labels,
    metrics_of,
    nearly_alike,
    read_passes,
    refuse_unknown,
    refuse_vehicles,
    spelt_twice,
)
from towertap.compare.drives.model import Excluded, Pass, name_of
from towertap.compare.drives.reading import HowRead
from towertap.doors.files import sha256_of
from towertap.doors.times import impossible, local
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.wear.model import History, Session
from towertap.words.phrases import counted, listed, quoted

APART = timedelta(hours=8)
"""A longer time between the starts of two drives ends a session if the date changes: a night does, a break does not."""

Drive = TypeVar("Drive", CaptureLabel, Pass)


def load_sessions(
    folder: Path,
    part: str,
    smooth: str,
    *,
    vehicle: str | None = None,
    since: date | None = None,
    position: str | None = None,
    bench: Path | None = None,
    **how: Unpack[HowRead],
) -> History:
    """Read every capture of `part` on one vehicle that began on the local date `since` or later.

    `folder` is an archive or holds captures (*.h5). Captures that cannot be read, are not sound, hold no complete
    window, copy another or lack a possible start time are left out and listed with the reason; in an archive, so are
    those that have changed since they were added. `position` selects a box position if there were two; `bench` is the
    folder of the bench records. Raises CallError if a name matches nothing or is needed to choose between vehicles or
    positions, AnalysisError if fewer than two sessions can be used or rates differ.
    """
    excluded: list[Excluded] = []
    recordings = _recordings_in(folder, excluded)
    conditions = [entry.conditions for entry in recordings]
    refuse_unknown(conditions, excluded, part=part, road=smooth, vehicle=vehicle, box_position=position)
    with_part = [entry for entry in recordings if entry.conditions.part == part]
    refuse_vehicles((entry.conditions for entry in with_part), vehicle)
    with_part = [entry for entry in with_part if vehicle in (None, entry.conditions.vehicle)]
    own = with_part[0].conditions
    alike = [
        entry
        for entry in recordings
        if entry.conditions.vehicle == own.vehicle and nearly_alike(entry.conditions.part, part)
    ]
    excluded += [
        Excluded(name_of(entry.path), f"made with '{entry.conditions.part}', which is nearly '{part}'")
        for entry in alike
    ]
    dated = _at_position(list(_dated(with_part, since, excluded)), position)
    _refuse_few(dated, part, since, excluded)
    chosen = [entry.path for entry in dated if _as_added(entry, excluded)]
    passes = read_passes(chosen, excluded, bench, **how)
    _refuse_few(passes, part, since, excluded)
    roads = {drive.road for drive in passes}
    if smooth not in roads:
        raise AnalysisError(f"no pass over the smooth road '{smooth}' can be used, and it sets the limit: drive it too")
    if roads == {smooth}:
        raise AnalysisError(f"every pass is over the smooth road '{smooth}': drive a rough road as well")
    sessions = tuple(
        Session(f"{drives[0].started:%Y-%m-%d}", _started(drives[0]), tuple(drives))
        for drives in sessions_of(sorted(passes, key=lambda drive: drive.name))
    )
    return History(
        part=part,
        vehicle=own.vehicle,
        smooth=smooth,
        metrics=metrics_of(passes),
        sessions=sessions,
        excluded=tuple(excluded),
        remarks=(
            *spelt_twice((entry.conditions for entry in (*with_part, *alike)), (part,)),
            *_refitted(recordings, own, sessions),
            *changed_conditions(passes),
            *_differing(passes),
            *_leaning(sessions),
        ),
        others=len(recordings) - len(with_part) - len(alike),
    )


def _recordings_in(folder: Path, excluded: list[Excluded]) -> list[CaptureLabel]:
    """The label of every capture in an archive or folder; captures without a readable one go to `excluded`."""
    if folder.is_dir() and any((folder / name / NAME).is_file() for name in store.names(folder)):
        return list(_archived(folder, excluded))
    return list(labels(captures_in(folder), excluded))


def _archived(folder: Path, excluded: list[Excluded]) -> Iterator[CaptureLabel]:
    listing = store.listing(folder)
    for line in listing.unreadable:
        path, _, error_text = line.rpartition(f"{os.sep}{NAME}: ")
        excluded.append(Excluded(Path(path).name, f"its {NAME}: {error_text}"))
    for record in listing.records:
        path, sha256 = folder / record["name"] / CAPTURE, record["files"][CAPTURE]["sha256"]
        try:
            conditions = Conditions.from_dict(record["conditions"])
        except TowertapError as error:
            excluded.append(Excluded(record["name"], f"its {NAME}: {error}"))
        else:
            started = local(record["started_utc"], record.get("utc_offset_s"))
            yield CaptureLabel(path, conditions, started, sha256, bool(record.get("struck_out")))


def _as_added(entry: CaptureLabel, excluded: list[Excluded]) -> bool:
    """Whether a capture is bit for bit what was added to the archive; True in a plain folder."""
    try:
        if entry.sha256 is None or sha256_of(entry.path) == entry.sha256:
            return True
        reason = "changed since it was added to the archive"
    except OSError as error:
        reason = f"its {CAPTURE} cannot be read ({error.strerror})"
    excluded.append(Excluded(name_of(entry.path), f"{reason}; 'towertap archive verify' says more"))
    return False


def _dated(recordings: Sequence[CaptureLabel], since: date | None, excluded: list[Excluded]) -> Iterator[CaptureLabel]:
    """The recordings with a road and a possible start time, from the day `since` on."""
    for entry in recordings:
        if entry.started is None or not entry.conditions.road:
            missing = "its road" if entry.started else "when it was driven"
            excluded.append(Excluded(name_of(entry.path), f"it does not say {missing}"))
        elif reason := impossible(entry.started):
            excluded.append(Excluded(name_of(entry.path), f"{reason}: 'towertap check' says how to correct it"))
        elif since is None or entry.started.date() >= since:
            yield entry


def _at_position(dated: list[CaptureLabel], position: str | None) -> list[CaptureLabel]:
    """The recordings of one box; CallError if a session was recorded at two positions and none is chosen."""
    if position is not None:
        return [entry for entry in dated if entry.conditions.box_position == position]
    for session in sessions_of(dated):
        positions = {entry.conditions.box_position for entry in session if not entry.is_struck_out}
        if len(positions) > 1:
            raise CallError(
                f"on {session[0].started:%Y-%m-%d} there were boxes at more than one position ({quoted(positions)}): "
                "choose one with --position"
            )
    return dated


def sessions_of(dated: Iterable[Drive]) -> list[list[Drive]]:
    """Captures or passes, all with a start time, sorted and split into sessions.

    A session ends where the next drive begins more than APART later and on a later date than the session's first.
    """
    sessions: list[list[Drive]] = []
    for drive in sorted(dated, key=_started):
        began = _started(drive)
        if sessions and (
            began - _started(sessions[-1][-1]) <= APART or began.date() == _started(sessions[-1][0]).date()
        ):
            sessions[-1].append(drive)
        else:
            sessions.append([drive])
    return sessions


def _started(drive: CaptureLabel | Pass) -> datetime:
    assert drive.started is not None
    return drive.started


def _refuse_few(dated: Sequence[Drive], part: str, since: date | None, excluded: list[Excluded]) -> None:
    """Raise AnalysisError if there are fewer than two sessions."""
    sessions = sessions_of(dated)
    after = f" since {since}" if since else ""
    more = f"; left out: {len(excluded)}, {excluded[0].capture}: {excluded[0].reason}" if excluded else ""
    if not sessions:
        raise AnalysisError(f"no drive with '{part}'{after} can be used: record some, or name an earlier day{more}")
    if len(sessions) == 1:
        driven = f"{sessions[0][0].started:%Y-%m-%d}, {counted(len(dated), 'pass')}"
        raise AnalysisError(
            f"'{part}' was driven on one day only{after} ({driven}): a change takes two days, a trend three; drive "
            f"again, or name an archive that holds more{more}"
        )


def _refitted(recordings: Sequence[CaptureLabel], own: Conditions, sessions: Sequence[Session]) -> Iterator[str]:
    """A remark if the vehicle was driven with another part between the first and the last session."""
    first, last = sessions[0].began, sessions[-1].began
    on_vehicle = [entry for entry in recordings if entry.conditions.vehicle == own.vehicle]
    parts = {entry.conditions.part for entry in on_vehicle if entry.started and first < entry.started < last}
    if others := {other for other in parts - {"", own.part} if not nearly_alike(other, own.part)}:
        yield (
            f"between the first and the last session the vehicle was also driven with {quoted(others)}, so "
            f"'{own.part}' was removed and refitted: the changes and the trend include the effect of refitting"
        )


def _differing(passes: Sequence[Pass]) -> Iterator[str]:
    """Remarks on air temperatures and speeds that differ between passes."""
    air_c = [c for drive in passes if (c := drive.conditions.air_temperature_c) is not None]
    if air_c and max(air_c) - min(air_c) > TEMPERATURE_STEP_C:
        yield (
            f"the air ranged from {min(air_c):g} to {max(air_c):g} °C over the sessions: rubber and damper oil stiffen "
            "in the cold, so a season may look like wear"
        )
    for road in sorted({drive.road for drive in passes}):
        speeds = {drive.conditions.speed_kmh for drive in passes if drive.road == road}
        if len(speeds) > 1:
            planned = ", ".join(sorted("unknown" if speed is None else f"{speed:g}" for speed in speeds))
            yield f"the planned speed on {road} differs between passes ({planned} km/h) and may look like wear"


def _leaning(sessions: Sequence[Session]) -> Iterator[str]:
    """A remark if gravity lies elsewhere in the vehicle's axes in a later session than in the first."""
    leanings = [(session.name, *leaning_deg(sessions[0].passes, session.passes)) for session in sessions[1:]]
    if moved := [leaning for leaning in leanings if leaning[1] > leaning[2]]:
        names, turned_deg, limits_deg = zip(*moved, strict=True)
        yield (
            f"gravity lies up to {max(turned_deg):.0f}° from its direction in the first session ({listed(names)}; "
            f"limit {max(limits_deg):g}°): was the box moved, or a mounting declared wrong? It may look like wear"
        )
