"""From an archive or a folder of captures to the sessions of one part on one vehicle."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

from towertap.archive import store
from towertap.archive.record import CAPTURE, NAME, sha256_of
from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.compare.drives.differences import TEMPERATURE_STEP_C, changed_conditions
from towertap.compare.drives.folder import began, moment, quantities_of, read_passes
from towertap.compare.drives.model import Excluded, Pass, name_of
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.wear.model import Followed, Session

APART = timedelta(hours=8)
"""A longer time between the starts of two drives ends a session: a night does, a break does not, and neither midnight
nor the time zone splits a day."""


@dataclass(frozen=True)
class Drive:
    """A capture by what it says of itself; `sha256` is what an archive says of its file, None in a folder."""

    path: Path
    conditions: Conditions
    began: datetime | None
    sha256: str | None = None


def load_sessions(
    folder: Path,
    part: str,
    smooth: str,
    *,
    vehicle: str | None = None,
    since: date | None = None,
    position: str | None = None,
    bench: Path | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Followed:
    """Read every capture of `part` on one vehicle that began on the day `since` (UTC) or later.

    `folder` is an archive or holds captures (*.h5). Captures that cannot be read, are not sound, hold no whole window,
    copy another or do not say when they began are left out and listed with the reason; in an archive, so are those
    that are not as they were added. `position` is the box position to use where there were two, `bench` the folder of
    the bench records. `on_progress(done, total)` is called before each capture. Raises CallError when a name matches
    nothing, or two vehicles or positions do, AnalysisError when fewer than two sessions can be used or rates differ.
    """
    if bench and not bench.is_dir():
        raise CallError(f"no folder '{bench}': name the one that holds the bench records")
    excluded: list[Excluded] = []
    drives = known(folder, excluded)
    _refuse_unknown(drives, excluded, part=part, road=smooth, vehicle=vehicle, box_position=position)
    mine = _of_one_vehicle([one for one in drives if one.conditions.part == part], vehicle)
    chosen = _at_position(list(_dated(mine, since, excluded)), position)
    _refuse_few([start for _, start in chosen], part, since, excluded)
    times = {one.path: start for one, start in chosen if _as_added(one, excluded)}
    passes = read_passes(dict.fromkeys(times, "after"), excluded, bench=bench, on_progress=on_progress)
    passes.sort(key=lambda one: (times[one.path], one.name))
    _refuse_few([times[one.path] for one in passes], part, since, excluded)
    _refuse_roads({one.road for one in passes}, smooth)
    sessions = tuple(_sessions(passes, times))
    return Followed(
        folder=folder,
        part=part,
        vehicle=mine[0].conditions.vehicle,
        smooth=smooth,
        quantities=tuple(quantities_of(passes)),
        sessions=sessions,
        excluded=tuple(excluded),
        warnings=(*_refitted(drives, mine[0], sessions), *changed_conditions(passes), *_warnings(sessions)),
        others=len(drives) - len(mine),
    )


def known(folder: Path, excluded: list[Excluded]) -> list[Drive]:
    """Every capture of an archive or a folder that says what it is of; those that cannot join `excluded`."""
    if not folder.is_dir():
        raise CallError(f"no folder '{folder}': name an archive, or the folder that holds the captures")
    if any((folder / name / NAME).is_file() for name in store.names(folder)):
        return list(_archived(folder, excluded))
    paths = sorted(folder.glob("*.h5"))
    if not paths:
        raise CallError(
            f"no captures (*.h5) in '{folder}', and it is no archive: name one that 'towertap archive add' made, or "
            "the folder that holds the captures"
        )
    return list(_lying(paths, excluded))


def _lying(paths: Iterable[Path], excluded: list[Excluded]) -> Iterable[Drive]:
    for path in paths:
        try:
            with open_capture(path) as capture:
                yield Drive(path, capture.conditions, began(capture))
        except TowertapError as error:
            excluded.append(Excluded(path.stem, str(error).removeprefix(f"{path}: ")))


def _archived(folder: Path, excluded: list[Excluded]) -> Iterable[Drive]:
    held = store.listing(folder)
    for line in held.unreadable:
        path, _, why = line.rpartition(f"{os.sep}{NAME}: ")
        excluded.append(Excluded(Path(path).name, f"its {NAME}: {why}"))
    for record in held.records:
        try:
            conditions = Conditions.from_dict(record["conditions"])
        except TowertapError as error:
            excluded.append(Excluded(record["name"], f"its {NAME}: {error}"))
            continue
        path, sha256 = folder / record["name"] / CAPTURE, record["files"][CAPTURE]["sha256"]
        yield Drive(path, conditions, moment(record["started_utc"]), sha256)


def _as_added(one: Drive, excluded: list[Excluded]) -> bool:
    """Whether a capture is, to the bit, what the archive took in; always so in a folder."""
    if one.sha256 is None:
        return True
    try:
        if sha256_of(one.path) == one.sha256:
            return True
        why = "not as it was added to the archive"
    except OSError as error:
        why = f"its {CAPTURE} cannot be read ({error.strerror})"
    excluded.append(Excluded(name_of(one.path), f"{why}; 'towertap archive verify' says more"))
    return False


def _refuse_unknown(drives: Sequence[Drive], excluded: list[Excluded], **named: str | None) -> None:
    """CallError where what was named is in no capture's conditions."""
    if not drives and excluded:
        raise CallError(f"no capture can be read; {excluded[0].capture}: {excluded[0].reason}")
    there = {kind: {getattr(one.conditions, kind) for one in drives} - {""} for kind in named}
    for kind, name in named.items():
        if name is not None and name not in there[kind]:
            told = (f"{_plain(each)}s are {_listed(there[each])}" for each in sorted(there, key=lambda k: k != kind))
            raise CallError(f"no capture of the {_plain(kind)} '{name}': {'; '.join(told)}")


def _plain(kind: str) -> str:
    return kind.replace("_", " ")


def _of_one_vehicle(drives: list[Drive], vehicle: str | None) -> list[Drive]:
    vehicles = {one.conditions.vehicle for one in drives}
    if vehicle is None and len(vehicles) > 1:
        more = " and by captures that do not say which" if "" in vehicles else ""
        raise CallError(
            f"the part was driven on more than one vehicle ({_listed(vehicles)}{more}): name it by --vehicle"
        )
    found = [one for one in drives if vehicle in (None, one.conditions.vehicle)]
    if not found:
        raise CallError(f"the part was not driven on '{vehicle}': it was on {_listed(vehicles)}")
    return found


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in sorted({*names} - {""})) or "not written down in any capture"


def _dated(drives: list[Drive], since: date | None, excluded: list[Excluded]) -> Iterable[tuple[Drive, datetime]]:
    """Those that say their road and when they began, with that in UTC, from the first day asked for on."""
    for one in drives:
        if one.began is None or not one.conditions.road:
            missing = "its road" if one.began else "when it was driven"
            excluded.append(Excluded(name_of(one.path), f"it does not say {missing}"))
        elif since is None or one.began.astimezone(UTC).date() >= since:
            yield one, one.began.astimezone(UTC)


def _at_position(chosen: list[tuple[Drive, datetime]], position: str | None) -> list[tuple[Drive, datetime]]:
    """Those by one box; CallError where a session was recorded at two positions and none is named."""
    if position is not None:
        return [(one, start) for one, start in chosen if one.conditions.box_position == position]
    for session in sessions_of([start for _, start in chosen]):
        there = {one.conditions.box_position for one, start in chosen if session[0] <= start <= session[-1]}
        if len(there) > 1:
            raise CallError(
                f"on {session[0]:%Y-%m-%d} there were boxes at more than one position ({_listed(there)}): name one by "
                "--position"
            )
    return chosen


def sessions_of(times: Sequence[datetime]) -> list[list[datetime]]:
    """Times in order, parted where none follows for longer than APART."""
    ordered = sorted(times)
    sessions = [[one] for one in ordered[:1]]
    for earlier, later in pairwise(ordered):
        if later - earlier > APART:
            sessions.append([])
        sessions[-1].append(later)
    return sessions


def _refuse_few(times: Sequence[datetime], part: str, since: date | None, excluded: list[Excluded]) -> None:
    """AnalysisError with fewer than two sessions."""
    sessions = sessions_of(times)
    if len(sessions) > 1:
        return
    after = f" since {since}" if since else ""
    more = f"; left out: {len(excluded)}, {excluded[0].capture}: {excluded[0].reason}" if excluded else ""
    if not sessions:
        raise AnalysisError(f"no drive with '{part}'{after} can be used: record some, or name an earlier day{more}")
    passes, day = len(sessions[0]), f"{sessions[0][0]:%Y-%m-%d}"
    raise AnalysisError(
        f"'{part}' was driven on one day only{after} ({day}, {passes} pass{'' if passes == 1 else 'es'}): a change "
        f"takes two days, a trend three; drive again, or name an archive that holds more{more}"
    )


def _refuse_roads(roads: set[str], smooth: str) -> None:
    if smooth not in roads:
        raise AnalysisError(f"no pass over the smooth road '{smooth}' can be used, and it sets the gate: drive it too")
    if roads == {smooth}:
        raise AnalysisError(f"every pass is over the smooth road '{smooth}': drive a rough road as well")


def _sessions(passes: Sequence[Pass], times: dict[Path, datetime]) -> Iterable[Session]:
    """Passes in the order of their times, by session."""
    parted = sessions_of([times[one.path] for one in passes])
    days = [f"{session[0]:%Y-%m-%d}" for session in parted]
    rest = iter(passes)
    for day, session in zip(days, parted, strict=True):
        name = day if days.count(day) == 1 else f"{session[0]:%Y-%m-%d %H:%M}"
        yield Session(name, session[0], tuple(next(rest) for _ in session))


def _refitted(drives: Sequence[Drive], mine: Drive, sessions: Sequence[Session]) -> Iterable[str]:
    """Another part on the same vehicle between the first and the last session: the part was off and on again."""
    part, vehicle = mine.conditions.part, mine.conditions.vehicle
    between = {
        one.conditions.part
        for one in drives
        if one.conditions.vehicle == vehicle
        and one.conditions.part not in ("", part)
        and one.began
        and sessions[0].began < one.began.astimezone(UTC) < sessions[-1].began
    }
    if between:
        yield (
            f"between the first and the last session the vehicle was driven with {_listed(between)} as well, so "
            f"'{part}' was taken off and fitted again: what fitting does is in the changes and the trend too"
        )


def _warnings(sessions: Sequence[Session]) -> Iterable[str]:
    """Air and speed that differ between sessions."""
    passes = [one for session in sessions for one in session.passes]
    roads = sorted({one.road for one in passes})
    air_c = [one.conditions.air_temperature_c for one in passes if one.conditions.air_temperature_c is not None]
    if air_c and max(air_c) - min(air_c) > TEMPERATURE_STEP_C:
        yield (
            f"the air went from {min(air_c):g} to {max(air_c):g} °C over the sessions: rubber and damper oil stiffen "
            "in the cold, and a season may pass for wear"
        )
    for road in roads:
        speeds = {one.conditions.speed_kmh for one in passes if one.road == road}
        if len(speeds) > 1:
            told = ", ".join(sorted("unknown" if speed is None else f"{speed:g}" for speed in speeds))
            yield f"the speed aimed at on {road} differs between passes ({told} km/h) and may pass for wear"
