"""From a folder of captures to the passes of a comparison: what is named, sound, and of a kind; and what is unused."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import SequenceMatcher
from itertools import combinations
from pathlib import Path
from typing import Unpack
from unicodedata import normalize

from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.compare.drives.differences import differences
from towertap.compare.drives.model import Drives, Excluded, Pass, Side, name_of
from towertap.compare.drives.positions import at_position, inputs_at, refuse_two_positions
from towertap.compare.drives.reading import (
    CaptureRead,
    ClippedOutError,
    HowRead,
    Measures,
    PassReader,
    ReadTask,
    SeenAndStruckOutError,
    began,
)
from towertap.errors import AnalysisError, CallError, TowertapError
from towertap.signals.metrics import METRICS, Metric
from towertap.words.phrases import did_you_mean, quoted


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
    vehicle: str | None = None,
    position: str | None = None,
    input_position: str | None = None,
    **how: Unpack[HowRead],
) -> Drives:
    """Read every capture (*.h5, not in subfolders) of `folder` that was made with the part `before` or `after`.

    Left out and listed with the reason are captures of another part, vehicle or box position, and those that cannot be
    read, are struck out or not sound (unless `include_unsound`), hold no whole window, or copy another. Standing and
    pulling away are cut from a capture unless `whole`. `bench` is the folder of the bench records, by default `bench`
    in `folder`. `vehicle` is the one to use if there are several; captures that do not say theirs count as any, unless
    it is given. `position` is the box position to use if passes were recorded at two, `input_position` that of a second
    box on the part's input side. Raises CallError when a name matches nothing, or several vehicles or positions were
    recorded and none is given; AnalysisError when no capture can be used or their rates differ.
    """
    excluded: list[Excluded] = []
    sides: dict[str, Side] = {before: "before", after: "after"}
    reader = PassReader(measures or {}, include_unsound, whole, bench, frozenset(sides), vehicle, position)
    paths = captures_in(folder)
    if input_position:  # before reading any capture, find out which ones are of one pass
        known = {label.path: label.conditions for label in labels(paths, excluded)}
    else:
        read = reader.read_all([ReadTask(path) for path in paths], **how)
        known = {path: capture.conditions for path, capture in read.items() if capture.conditions}
        excluded += [_unread(path, capture.outcome) for path, capture in read.items() if path not in known]
    if normalize("NFC", before) == normalize("NFC", after):
        hint = "" if before == after else "; they look the same, so spell them alike with 'towertap correct'"
        raise CallError(f"--before and --after both name '{before}': name two parts{hint}")
    for part in sides:
        refuse_unknown(known.values(), excluded, part=part, road=smooth)
    if {label.road for label in known.values()} <= {smooth, ""}:
        raise CallError(f"every capture is of the smooth road '{smooth}': record a rough road as well")
    chosen = {path: sides[label.part] for path, label in known.items() if label.road and label.part in sides}
    # a capture that is struck out or not sound does not count as a second vehicle or box
    unread = {path for path in chosen if not input_position and isinstance(read[path].outcome, TowertapError)}
    refuse_vehicles((known[path] for path in chosen if path not in unread and known[path].vehicle), vehicle)
    chosen = {path: side for path, side in chosen.items() if vehicle in (None, known[path].vehicle)}
    if position is not None:
        chosen = at_position(known, chosen, position, excluded)
    else:
        refuse_two_positions(known[path] for path in chosen if path not in unread)
    used = {*chosen}
    if input_position:
        inputs = inputs_at(known, chosen, input_position)
        used.update(path for paths in inputs.values() for path in paths)
        read = reader.read_all([ReadTask(path, inputs.get(path, ())) for path in chosen], **how)
    passes = _usable(read, chosen, excluded)
    named = {capture.capture for capture in excluded}
    others = unused(known, used, (before, after), vehicle, position)
    excluded += [capture for capture in others if capture.capture not in named]
    _refuse_without_smooth(smooth, known, passes, excluded)
    drives = Drives(
        folder=folder,
        before=before,
        after=after,
        smooth=smooth,
        metrics=metrics_of(passes),
        passes=tuple(passes),
        excluded=tuple(excluded),
        clipped_out=tuple(
            (known[path].road, side) for path, side in chosen.items() if isinstance(read[path].outcome, ClippedOutError)
        ),
        input_position=input_position,
    )
    return replace(drives, remarks=(*differences(drives), *spelt_twice(known.values(), (before, after))))


def captures_in(folder: Path) -> list[Path]:
    """The captures (*.h5) of a folder, by name; CallError if there are none."""
    if not folder.is_dir():
        raise CallError(f"no folder '{folder}': name the folder that holds the captures")
    paths = sorted(folder.glob("*.h5"))
    if not paths:
        inside = next((f"; there are some in {path.parent}" for path in sorted(folder.glob("*/*.h5"))), "")
        raise CallError(f"no captures (*.h5) in '{folder}': record or decode some, or name another folder{inside}")
    return paths


def read_passes(
    paths: Iterable[Path], excluded: list[Excluded], bench: Path | None = None, **how: Unpack[HowRead]
) -> list[Pass]:
    """Read some captures, all as of one side; those that cannot be used join `excluded`.

    Raises AnalysisError if none can be used or their rates differ.
    """
    chosen: dict[Path, Side] = dict.fromkeys(paths, "before")
    read = PassReader({}, bench=bench).read_all([ReadTask(path) for path in chosen], **how)
    return _usable(read, chosen, excluded)


def _usable(read: Mapping[Path, CaptureRead], chosen: Mapping[Path, Side], excluded: list[Excluded]) -> list[Pass]:
    """The passes that were read, each recording once; the others join `excluded`.

    AnalysisError if none can be used, their rates differ, or one recording is there under two labels.
    """
    passes: list[Pass] = []
    rates: dict[float, list[str]] = defaultdict(list)
    recordings: dict[str, Pass] = {}
    for path, side in chosen.items():
        name, outcome = name_of(path), read[path].outcome
        if not isinstance(outcome, tuple):
            excluded.append(_unread(path, outcome))
            continue
        drive, rate_hz = replace(outcome[0], side=side), outcome[1]
        if drive.source and (twin := recordings.setdefault(drive.source.raw_sha256, drive)) is not drive:
            if two_labels := labelled_twice(twin.path, twin.conditions, path, drive.conditions):
                raise AnalysisError(two_labels)
            excluded.append(Excluded(name, f"the same recording as {twin.name}"))
            continue
        rates[rate_hz].append(name)
        passes.append(drive)
    if not passes:
        why = f"; {excluded[0].capture}: {excluded[0].reason}" if excluded else ""
        raise AnalysisError(f"none of {len(chosen)} captures can be used{why}")
    if len(rates) > 1:
        kinds = "; ".join(f"{rate:g} Hz: {', '.join(names)}" for rate, names in sorted(rates.items()))
        raise AnalysisError(f"captures of different sample rates cannot be compared ({kinds}): keep those of one rate")
    return passes


def labelled_twice(path: Path, label: Conditions, other_path: Path, other: Conditions) -> str:
    """What is wrong with two captures of one recording whose part or road differs, and what to do; else empty."""
    if (label.part, label.road) == (other.part, other.road):
        return ""
    return (
        f"{name_of(path)} ({label.part} on {label.road}) and {name_of(other_path)} ({other.part} on {other.road}) are "
        "one recording: correct the wrong label with 'towertap correct', or strike one out with 'towertap drop'"
    )


def _unread(path: Path, why: object) -> Excluded:
    seen = isinstance(why, SeenAndStruckOutError)
    return Excluded(name_of(path), str(why).removeprefix(f"{path}: "), seen)


@dataclass(frozen=True)
class CaptureLabel:
    """What a capture says of itself; `sha256` is its file's hash by the archive, None in a folder."""

    path: Path
    conditions: Conditions
    started: datetime | None
    sha256: str | None = None
    is_struck_out: bool = False


def labels(paths: Iterable[Path], excluded: list[Excluded]) -> Iterator[CaptureLabel]:
    """What every readable capture says of itself; the others join `excluded`."""
    for path in paths:
        try:
            with open_capture(path) as capture:
                yield CaptureLabel(path, capture.conditions, began(capture), is_struck_out=bool(capture.struck_out))
        except TowertapError as error:
            excluded.append(_unread(path, error))


def refuse_unknown(known: Collection[Conditions], excluded: Sequence[Excluded], **named: str | None) -> None:
    """CallError if a named condition is in no capture, or no capture can be read."""
    if not known and excluded:
        raise CallError(f"no capture can be read; {excluded[0].capture}: {excluded[0].reason}")
    known_values = {name: {getattr(label, name) for label in known} - {""} for name in named}
    for name, value in named.items():
        if value is not None and value not in known_values[name]:
            in_order = sorted(known_values, key=lambda other: other != name)
            names = "; ".join(f"{other.replace('_', ' ')}s are {quoted(known_values[other])}" for other in in_order)
            guess = did_you_mean(value, known_values[name])
            raise CallError(f"no capture of the {name.replace('_', ' ')} '{value}': {names}{guess}")


def refuse_vehicles(labels: Iterable[Conditions], vehicle: str | None) -> None:
    """CallError if captures are of several vehicles and none is named, or none is of the one named."""
    vehicles = {label.vehicle for label in labels}
    if vehicle is None and len(vehicles) > 1:
        names = quoted(vehicles) + (" and captures that do not say which" if "" in vehicles else "")
        is_alike = any(nearly_alike(*pair) for pair in combinations(vehicles, 2))
        hint = "; nearly alike: if they are the same, spell them alike with 'towertap correct'" if is_alike else ""
        raise CallError(f"these passes were driven on more than one vehicle ({names}): choose one with --vehicle{hint}")
    if vehicle not in (None, *vehicles):
        raise CallError(f"these passes were not driven on '{vehicle}', but on {quoted(vehicles)}")


def _refuse_without_smooth(
    smooth: str, known: Mapping[Path, Conditions], passes: Sequence[Pass], excluded: Sequence[Excluded]
) -> None:
    """AnalysisError if no capture of the smooth road is left, which sets the roughness limit."""
    if any(drive.road == smooth for drive in passes):
        return
    smooth_names = {name_of(path) for path, label in known.items() if label.road == smooth}
    why = next(
        (f"; {capture.capture}: {capture.reason}" for capture in excluded if capture.capture in smooth_names), ""
    )
    raise AnalysisError(f"no capture of the smooth road '{smooth}' can be used, so nothing says what is rough{why}")


def metrics_of(passes: Sequence[Pass]) -> tuple[Metric, ...]:
    """The metrics that every pass carries."""
    return tuple(metric for name, metric in METRICS.items() if all(name in drive.kept for drive in passes))


def unused(
    known: Mapping[Path, Conditions],
    used: Collection[Path],
    parts: tuple[str, str],
    vehicle: str | None,
    position: str | None,
) -> Iterator[Excluded]:
    """The captures, of those with known conditions, that are not `used`, and why; `parts` are those compared."""
    for path, label in known.items():
        if path in used:
            continue
        if label.part not in parts:
            spelt = next((f", which is nearly '{part}'" for part in parts if nearly_alike(label.part, part)), "")
            why = f"made with '{label.part}'{spelt}; compared are '{parts[0]}' and '{parts[1]}'"
            yield Excluded(name_of(path), why if label.part else "no part is written down in it")
        elif not label.road:
            yield Excluded(name_of(path), "no road is written down in it")
        elif vehicle not in (None, label.vehicle):
            driven = f"driven on '{label.vehicle}'" if label.vehicle else "no vehicle is written down in it"
            yield Excluded(name_of(path), f"{driven}; compared is '{vehicle}'")
        else:
            yield Excluded(name_of(path), f"made at the box position '{label.box_position}', not at '{position}'")


def spelt_twice(labels: Iterable[Conditions], parts: Collection[str]) -> Iterator[str]:
    """Pairs of names, of a part compared or of roads, that may mean the same."""
    known = list(labels)
    pairs = [
        *(("parts", part, other) for part in parts for other in sorted({label.part for label in known} - {*parts, ""})),
        *(("roads", *two) for two in combinations(sorted({label.road for label in known if label.part in parts}), 2)),
    ]
    for kind, name, other in pairs:
        if nearly_alike(name, other):
            yield f"the {kind} '{name}' and '{other}' are nearly one name: if they are the same, spell both alike"


def nearly_alike(name: str, other: str) -> bool:
    """Whether two names differ only by case, hyphens and blanks, or by one letter; other digits are another name."""
    texts = (normalize("NFC", text).casefold() for text in (name, other))
    plain, other_plain = ("".join(sign for sign in text if sign.isalnum()) for text in texts)
    digits, other_digits = ([sign for sign in text if sign.isdigit()] for text in (plain, other_plain))
    if not plain or not other_plain or name == other or digits != other_digits:
        return False
    longest = max(len(plain), len(other_plain))
    similarity = SequenceMatcher(None, plain, other_plain, autojunk=False).ratio()
    return plain == other_plain or (longest > 3 and similarity >= 1 - 1.01 / longest)
