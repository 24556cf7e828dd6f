"""`towertap record`: record one drive, or all drives of a plan, into raw recordings and captures."""

from __future__ import annotations

import shlex
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from towertap.box.port import open_box
from towertap.cli._asking import ask_for, gather, given, missing_options, next_planned
from towertap.cli._conditions import checked, condition_flag, condition_options
from towertap.cli._outcome import FILE, FOLDER, Outcome, answers, console, judged, lines
from towertap.cli._reading import port_option
from towertap.cli._recording import RecordedDrive, Recorder
from towertap.words.phrases import counted

if TYPE_CHECKING:
    from towertap.compare.plan.plan import Plan

SAFETY = (
    "The driver drives and watches the road; the passenger records. Bolt the box down, and keep its cable clear of "
    "pedals and hands. Traffic law and other road users come before any recording."
)

HELP = """Record drives from the box: raw bytes first, then a capture.

With --plan on a terminal, it records all drives of the plan, one after the other. It names the next drive; Enter begins
it and Enter stops it. Then it says whether the recording is sound, and offers to repeat one that is not. It asks for
conditions that are needed and not given; those that do not change it asks once. Without a terminal, or with --part,
--road or --pass, it records one drive.
"""


@click.command(help=HELP, epilog="Example: towertap record --plan spring/plan.json --out drives")
@port_option
@click.option("--out", type=FOLDER, default=".", help="Folder for the recordings. Default: the current one.")
@click.option("--seconds", type=click.FloatRange(0.1, 1e6), help="Stop after this many seconds of samples.")
@click.option(
    "--odr-hz",
    type=click.IntRange(1, 100_000),
    default=4000,
    show_default=True,
    help="Samples per second; an ICM-42688-P has 1000, 2000, 4000 and 8000.",
)
@click.option("--plan", "plan_path", type=FILE, help="A plan.json; its drives without a sound recording in --out.")
@click.option("--preflight", is_flag=True, help="Only check: box, rate, gravity, space, battery, clock, bench records.")
@click.option("--idle", is_flag=True, help="Record the engine idling at rest, to know its share of each metric.")
@condition_options
@answers
def command(
    port: str | None,
    out: Path,
    seconds: float | None,
    odr_hz: int,
    plan_path: Path | None,
    preflight: bool,
    idle: bool,
    **conditions: Any,
) -> Outcome:
    """Ask, record, decode, check, and say what comes next."""
    conditions = {name: value and checked(name, value) for name, value in conditions.items() if value is not None}
    plan, known = None, conditions
    if plan_path:
        from towertap.compare.plan.plan import read_plan  # statistics take long to load, and few recordings need a plan

        plan = read_plan(plan_path)
        known = given({"vehicle": plan.vehicle, **asdict(plan.hold), "air_temperature_c": None}) | known
    with open_box(port) as box:
        console.print(
            f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}, {odr_hz} Hz. {SAFETY}"
        )
        recorder = Recorder(box, out, odr_hz, seconds)
        if preflight:
            return _preflight(recorder, known)
        if idle:
            return _idle(recorder, known, out)
        is_one_drive = any(conditions.get(name) for name in ("part", "road", "pass_number"))
        if plan and plan_path and sys.stdin.isatty() and not is_one_drive:
            from towertap.cli._day import Day

            return Day(plan, plan_path, recorder, given(known)).run()
        if plan:
            known = next_planned(plan, known, out) | known
        driven = recorder.drive(gather(known, out))
    return _outcome(driven, plan, plan_path, out)


def _preflight(recorder: Recorder, known: dict[str, Any]) -> Outcome:
    from towertap.cli._preflight import preflight

    checks = preflight(recorder, known.get("mounting", ""))
    ok = all(check.ok is not False for check in checks)
    text = lines(*(judged(check.ok, check.text) for check in checks), "ready" if ok else "not ready")
    return Outcome({"ready": ok, "checks": checks}, text, 0 if ok else 1)


def _idle(recorder: Recorder, known: dict[str, Any], out: Path) -> Outcome:
    from towertap.capture.conditions import Conditions
    from towertap.cli._idle import record_idle

    known = given(known)
    unknown = [name for name in ("vehicle", "mounting") if name not in known]
    if unknown and not sys.stdin.isatty():
        raise missing_options(map(condition_flag, unknown))
    known = ask_for(unknown, known, out)
    text = record_idle(recorder, Conditions.from_dict(known))
    return Outcome({"idle": text}, text)


def _outcome(driven: RecordedDrive, plan: Plan | None, plan_path: Path | None, out: Path) -> Outcome:
    recording, live = driven.recording, driven.recording.live
    text = [
        f"{recording.ended}: {live.seconds:.1f} s, {counted(live.samples, 'sample')}, {live.missing_samples} missing, "
        f"{counted(live.messages['mark'], 'mark')}",
        *(event.text for event in recording.events),
        f"raw recording {recording.raw_path}",
        f"capture       {driven.capture_path}",
    ]
    if driven.problem:
        strike = shlex.join(["towertap", "drop", str(driven.capture_path), "--reason", driven.reason])
        text.append(f"{'sound, but not a pass' if driven.integrity.sound else 'not sound'}: {driven.problem}")
        text.append(f"Next: drive it again under the same number, and strike this one out: {strike}")
    else:
        text += [driven.integrity.remark or "sound", f"Next: {_next_step(plan, plan_path, out)}"]
    return Outcome(driven.data(), "\n".join(text), 0 if driven.integrity.sound else 1)


def _next_step(plan: Plan | None, plan_path: Path | None, out: Path) -> str:
    """What to do after a sound drive."""
    if plan is None:
        return "drive the next pass; 'towertap list' lists the recordings, 'towertap compare' compares the parts"
    from towertap.compare.inventory import inventory, lacking

    left = lacking(plan, inventory(out))
    if not left:
        return shlex.join(["towertap", "compare", str(out), "--plan", str(plan_path)])
    return f"{left[0].words}; still to drive: {counted(len(left), 'drive')}"
