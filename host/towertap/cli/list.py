"""`towertap list`: the recordings in a folder, the drives of a plan still to do, and what compare would use."""

from collections import Counter
from itertools import combinations
from pathlib import Path

import click
from rich.text import Text

from towertap.cli._outcome import PATH, Outcome, answers, lines
from towertap.cli._reading import counted_on_screen
from towertap.compare.drives.folder import captures_in, labelled_twice, nearly_alike
from towertap.compare.drives.positions import pass_key, refuse_two_positions
from towertap.compare.inventory import Entry, inventory, lacking
from towertap.compare.plan.plan import Plan, read_plan
from towertap.doors.times import impossible
from towertap.errors import CallError
from towertap.words.phrases import counted


@click.command(
    help="List the recordings in FOLDER: time, road, part, pass, length, marks, and whether compare would use them. "
    "With --plan also the drives still to do. No values of metrics are shown.",
    epilog="Example: towertap list drives --plan spring/plan.json",
)
@click.argument("folder", type=PATH)
@click.option("--plan", "plan_file", type=PATH, help="The plan that the drives follow.")
@answers
def command(folder: Path, plan_file: Path | None) -> Outcome:
    """Check every capture, and list what is there and what is missing."""
    if folder.is_file():
        raise CallError(f"{folder}: this is a file; give its folder, or use 'towertap show' for one capture")
    plan = read_plan(plan_file) if plan_file else None
    if not any(folder.glob("*.ttraw")):
        captures_in(folder)  # raises if the folder has no captures either
    with counted_on_screen("checking") as on_progress:
        entries = inventory(folder, on_progress)
    uses = [_use(entry, plan, entries) for entry in entries]
    left = lacking(plan, entries) if plan else []
    doubts = _doubts(entries, plan)
    data = {
        "folder": folder,
        "recordings": [_data(entry, use) for entry, use in zip(entries, uses, strict=True)],
        "lacking": left,
        "doubts": doubts,
    }
    remarks = [Text(f"Caution: {doubt}", "yellow") for doubt in doubts]
    if plan and left:
        remarks.append(Text(f"still to drive: {counted(len(left), 'drive')}, the next is {left[0].words}"))
    elif plan:
        remarks.append(Text("every drive of the plan is recorded"))
    return Outcome(data, lines(*(_line(entry, use) for entry, use in zip(entries, uses, strict=True)), *remarks))


def _use(entry: Entry, plan: Plan | None, entries: list[Entry]) -> str:
    """Why compare would not use a recording; empty if it would."""
    if entry.problem:
        return entry.problem
    if plan and entry.conditions.part not in (plan.before, plan.after):
        return f"its part '{entry.conditions.part}' is not in the plan"
    if plan and entry.conditions.road not in {road.name for road in plan.roads}:
        return f"its road '{entry.conditions.road}' is not in the plan"
    twin = _twin(entry, entries)
    return f"the same recording as {twin.path.stem}" if twin else ""


def _twin(entry: Entry, entries: list[Entry]) -> Entry | None:
    """The capture of the same recording that is used instead: the first by name."""
    same = [other for other in entries if not other.problem and other.raw_sha256 == entry.raw_sha256]
    first = min(same, key=lambda other: other.path, default=entry)
    return None if entry.problem or first is entry else first


def _line(entry: Entry, use: str) -> Text:
    conditions, integrity = entry.conditions, entry.integrity
    when = f"{entry.started:%m-%d %H:%M}" if entry.started else "–"
    length = "–" if entry.seconds is None else f"{entry.seconds:.0f} s"
    clipped = f", {integrity.clipped_samples} clipped" if integrity and integrity.clipped_samples else ""
    marks = f", {counted(len(entry.marks), 'mark')}" if entry.marks else ""
    drive = f"{conditions.road or '?'}, {conditions.part or '?'}, pass {conditions.pass_number or '?'}"
    head = Text(f"{when}  {drive if any(entry.key) else entry.path.name}: {length}{clipped}{marks}  ")
    verdict = Text("ok", "green") if not use else Text(f"NOT USED: {use}", "dim" if entry.is_struck_out else "red")
    return Text.assemble(head, verdict)


def _data(entry: Entry, use: str) -> dict[str, object]:
    integrity = entry.integrity
    return {
        "recording": entry.path,
        "conditions": entry.conditions.to_dict(),
        "started": entry.started.isoformat() if entry.started else None,
        "seconds": entry.seconds,
        "sound": integrity and integrity.sound,
        "clipped_samples": integrity and integrity.clipped_samples,
        "marks": entry.marks,
        "struck_out": entry.is_struck_out,
        "used": not use,
        "why_not": use,
    }


def _doubts(entries: list[Entry], plan: Plan | None) -> list[str]:
    """Recordings with two labels or a wrong date, passes at two positions or of one number, and names nearly alike."""
    twins = {entry.path: twin for entry in entries if (twin := _twin(entry, entries))}
    labels = {entry.path: entry.conditions for entry in entries}
    doubts = [
        two_labels
        for path, twin in twins.items()
        if (two_labels := labelled_twice(twin.path, twin.conditions, path, labels[path]))
    ]
    doubts += [
        f"{entry.path.stem}: {reason}" for entry in entries if entry.started and (reason := impossible(entry.started))
    ]
    used = [entry.conditions for entry in entries if not entry.problem and entry.path not in twins]
    numbered = Counter((*pass_key(label), label.box_position) for label in used if label.pass_number)
    doubts += [
        f"pass {number} on {road} with {part} exists {times} times, and all are used: correct a wrong number with "
        "'towertap correct', or strike a pass out with 'towertap drop'"
        for (_, part, road, number, _), times in numbered.items()
        if times > 1
    ]
    try:
        refuse_two_positions(entry.conditions for entry in entries if not entry.problem)
    except CallError as error:
        doubts.append(str(error))
    for field, planned in (
        ("part", [plan.before, plan.after] if plan else []),
        ("road", [road.name for road in plan.roads] if plan else []),
    ):
        names = {getattr(entry.conditions, field) for entry in entries} - {""}
        doubts += [
            f"the {field}s '{name}' and '{other}' are nearly the same; correct a wrong name with 'towertap correct'"
            for name, other in combinations([*planned, *sorted(names - {*planned})], 2)
            if other in names and nearly_alike(name, other)
        ]
    return doubts
