"""From an archive or a folder of captures to the sessions of one part on one vehicle.

Days are the driver's: a drive's date is by the offset from UTC that is stored with its capture.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TypeVar, Unpack

from towertap.archive import store
from towertap.archive.record import CAPTURE, NAME
from towertap.capture.conditions import Conditions
from towertap.compare.drives.differences import TEMPERATURE_STEP_C, changed_conditions
from towertap.compare.drives.folder import CaptureLabel, captures_in, labels, metrics_of, read_passes, refuse_unknown
from towertap.compare.drives.model import Excluded, Pass, name_of
from towertap.compare.drives.reading import HowRead
from towertap.doors.files import sha256_of
from towertap.doors.times import local
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.wear.model import History, Session
from towertap.words.phrases import counted, quoted

APART = timedelta(hours=8)
"""A longer time between the starts of two drives, to another date, ends a session: a night does, a break does not."""

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
    """Read every capture of `part` on one vehicle that began on the day `since`, where it was driven, or later.

    `folder` is an archive or holds captures (*.h5). Captures that cannot be read, are not sound, hold no whole window,
    copy another or do not say when they began are left out and listed with the reason; in an archive, so are those
    that are not as they were added. `position` is the box position to use where there were two, `bench` the folder of
    the bench records. Raises CallError when a name matches nothing, or two vehicles or positions do, AnalysisError when
    fewer than two sessions can be used or rates differ.
    """
    excluded: list[Excluded] = []
    recordings = recordings_in(folder, excluded)
    known = [entry.conditions for entry in recordings]
    refuse_unknown(known, excluded, part=part, road=smooth, vehicle=vehicle, box_position=position)
    of_part = _of_one_vehicle([entry for entry in recordings if entry.conditions.part == part], vehicle)
    dated = _at_position(list(_dated(of_part, since, excluded)), position)
    _refuse_few(dated, part, since, excluded)
    chosen = [entry.path for entry in dated if _as_added(entry, excluded)]
    passes = read_passes(chosen, excluded, bench, **how)
    _refuse_few(passes, part, since, excluded)
    roads = {drive.road for drive in passes}
    if smooth not in roads:
        raise AnalysisError(f"no pass over the smooth road '{smooth}' can be used, and it sets the limit: drive it too")
    if roads == {smooth}:
        raise AnalysisError(f"every pass is over the smooth road '{smooth}': drive a rough road as well")
    sessions = tuple(_sessions(passes))
    driven_as = of_part[0].conditions
    return History(
        part=part,
        vehicle=driven_as.vehicle,
        smooth=smooth,
        metrics=metrics_of(passes),
        sessions=sessions,
        excluded=tuple(excluded),
        remarks=(*_refitted(recordings, driven_as, sessions), *changed_conditions(passes), *_differing(passes)),
        others=len(recordings) - len(of_part),
    )


def recordings_in(folder: Path, excluded: list[Excluded]) -> list[CaptureLabel]:
    """Every capture of an archive or a folder that says what it is of; those that cannot join `excluded`."""
    if folder.is_dir() and any((folder / name / NAME).is_file() for name in store.names(folder)):
        return list(_archived(folder, excluded))
    return list(labels(captures_in(folder), excluded))


def _archived(folder: Path, excluded: list[Excluded]) -> Iterator[CaptureLabel]:
    listing = store.listing(folder)
    for line in listing.unreadable:
        path, _, why = line.rpartition(f"{os.sep}{NAME}: ")
        excluded.append(Excluded(Path(path).name, f"its {NAME}: {why}"))
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
    """Whether a capture is, to the bit, what the archive took in; always so in a folder."""
    try:
        if entry.sha256 is None or sha256_of(entry.path) == entry.sha256:
            return True
        why = "not as it was added to the archive"
    except OSError as error:
        why = f"its {CAPTURE} cannot be read ({error.strerror})"
    excluded.append(Excluded(name_of(entry.path), f"{why}; 'towertap archive verify' says more"))
    return False


def _of_one_vehicle(recordings: Sequence[CaptureLabel], vehicle: str | None) -> list[CaptureLabel]:
    vehicles = {entry.conditions.vehicle for entry in recordings}
    if vehicle is None and len(vehicles) > 1:
        on = quoted(vehicles) + (" and by captures that do not say which" if "" in vehicles else "")
        raise CallError(f"the part was driven on more than one vehicle ({on}): name it by --vehicle")
    if vehicle not in (None, *vehicles):
        raise CallError(f"the part was not driven on '{vehicle}': it was on {quoted(vehicles)}")
    return [entry for entry in recordings if vehicle in (None, entry.conditions.vehicle)]


def _dated(recordings: Sequence[CaptureLabel], since: date | None, excluded: list[Excluded]) -> Iterator[CaptureLabel]:
    """Those that say their road and when they began, from the first day asked for on."""
    for entry in recordings:
        if entry.started is None or not entry.conditions.road:
            missing = "its road" if entry.started else "when it was driven"
            excluded.append(Excluded(name_of(entry.path), f"it does not say {missing}"))
        elif since is None or entry.started.date() >= since:
            yield entry


def _at_position(dated: list[CaptureLabel], position: str | None) -> list[CaptureLabel]:
    """Those by one box; CallError where a session was recorded at two positions and none is named."""
    if position is not None:
        return [entry for entry in dated if entry.conditions.box_position == position]
    for session in sessions_of(dated):
        positions = {entry.conditions.box_position for entry in session if not entry.is_struck_out}
        if len(positions) > 1:
            raise CallError(
                f"on {session[0].started:%Y-%m-%d} there were boxes at more than one position ({quoted(positions)}): "
                "name one by --position"
            )
    return dated


def sessions_of(dated: Iterable[Drive]) -> list[list[Drive]]:
    """Captures or passes, all with a date, in order of time, parted by days.

    That is where none begins for longer than APART, and the next on another date than the first.
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
    """AnalysisError with fewer than two sessions."""
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


def _sessions(passes: Sequence[Pass]) -> Iterator[Session]:
    """The passes by session, in the order of their times."""
    for drives in sessions_of(sorted(passes, key=lambda drive: drive.name)):
        yield Session(f"{drives[0].started:%Y-%m-%d}", _started(drives[0]), tuple(drives))


def _refitted(recordings: Sequence[CaptureLabel], driven_as: Conditions, sessions: Sequence[Session]) -> Iterator[str]:
    """Another part on the same vehicle between the first and the last session: the part was off and on again."""
    first, last = sessions[0].began, sessions[-1].began
    on_vehicle = [entry for entry in recordings if entry.conditions.vehicle == driven_as.vehicle]
    parts = {entry.conditions.part for entry in on_vehicle if entry.started and first < entry.started < last}
    if others := parts - {"", driven_as.part}:
        yield (
            f"between the first and the last session the vehicle was driven with {quoted(others)} as well, so "
            f"'{driven_as.part}' was taken off and fitted again: what installing it does is in the changes and the "
            "trend too"
        )


def _differing(passes: Sequence[Pass]) -> Iterator[str]:
    """Air and speed that differ between passes."""
    air_c = [c for drive in passes if (c := drive.conditions.air_temperature_c) is not None]
    if air_c and max(air_c) - min(air_c) > TEMPERATURE_STEP_C:
        yield (
            f"the air went from {min(air_c):g} to {max(air_c):g} °C over the sessions: rubber and damper oil stiffen "
            "in the cold, and a season may pass for wear"
        )
    for road in sorted({drive.road for drive in passes}):
        speeds = {drive.conditions.speed_kmh for drive in passes if drive.road == road}
        if len(speeds) > 1:
            aimed = ", ".join(sorted("unknown" if speed is None else f"{speed:g}" for speed in speeds))
            yield f"the speed aimed at on {road} differs between passes ({aimed} km/h) and may pass for wear"
