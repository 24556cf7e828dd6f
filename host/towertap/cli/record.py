"""`towertap record`: drives from the box into raw recordings and captures, one or a whole plan in one go."""

from __future__ import annotations

import shlex
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from towertap.box.port import open_box
from towertap.cli._asking import ask_for, gather, next_planned, not_said, said
from towertap.cli._conditions import condition_flag, condition_options, held_to_rules
from towertap.cli._outcome import FILE, FOLDER, Outcome, answers, console, judged, lines
from towertap.cli._reading import port_option
from towertap.cli._recording import RecordedDrive, Recorder
from towertap.words.phrases import counted

if TYPE_CHECKING:
    from towertap.compare.plan.plan import Plan

SAFETY = (
    "The driver drives and looks at the road; the passenger records. The box is bolted down, its cable clear of pedals "
    "and hands. The road's law and its other users come before any recording."
)

HELP = """Record drives from the box: raw bytes first, then a capture.

With --plan on a terminal, all drives of the plan in one go: the next one is named, Enter begins, Enter stops, and it
says whether the recording is sound; one that is not is offered again. What must be known and is not given is asked for,
and what does not change is asked once. Without a terminal, or with --part, --road or --pass, it is one drive.
"""


@click.command(help=HELP, epilog="Example: towertap record --plan spring/plan.json --out drives")
@port_option
@click.option("--out", type=FOLDER, default=".", help="Folder for the recording.")
@click.option("--seconds", type=click.FloatRange(0.1, 1e6), help="Stop after so many seconds of samples.")
@click.option(
    "--odr-hz",
    type=click.IntRange(1, 100_000),
    default=4000,
    show_default=True,
    help="Samples a second; an ICM-42688-P has 1000, 2000, 4000 and 8000.",
)
@click.option("--plan", "plan_path", type=FILE, help="A plan.json: its drives that --out has no sound recording of.")
@click.option("--preflight", is_flag=True, help="Only look: box, rate, gravity, space, battery, clock, bench records.")
@click.option("--idle", is_flag=True, help="Record the engine idling at rest: what of each metric is its own.")
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
    **given: Any,
) -> Outcome:
    """Ask, record, decode, check, and say what comes next."""
    given = {name: value and held_to_rules(name, value) for name, value in given.items() if value is not None}
    plan, known = None, given
    if plan_path:
        from towertap.compare.plan.plan import read_plan  # statistics take long to load, and few recordings need a plan

        plan = read_plan(plan_path)
        known = said({"vehicle": plan.vehicle, **asdict(plan.hold), "air_temperature_c": None}) | known
    with open_box(port) as box:
        console.print(
            f"Box {box.identity['serial']} with {box.identity.get('chip')} on {box.port}, {odr_hz} Hz. {SAFETY}"
        )
        recorder = Recorder(box, out, odr_hz, seconds)
        if preflight:
            return _preflight(recorder, known)
        if idle:
            return _idle(recorder, known, out)
        named = [name for name in ("part", "road", "pass_number") if given.get(name)]
        if plan and plan_path and sys.stdin.isatty() and not named:
            from towertap.cli._day import Day

            return Day(plan, plan_path, recorder, said(known)).run()
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

    known = said(known)
    wanted = [name for name in ("vehicle", "mounting") if name not in known]
    if wanted and not sys.stdin.isatty():
        raise not_said(map(condition_flag, wanted))
    known = ask_for(wanted, known, out)
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
        text.append(f"{'not sound' if not driven.integrity.sound else 'sound, and not a pass'}: {driven.problem}")
        text.append(f"Next: drive it again under the same number, and strike this one out: {strike}")
    else:
        text += [driven.integrity.remark or "sound", f"Next: {_after(plan, plan_path, out)}"]
    return Outcome(driven.data(), "\n".join(text), 0 if driven.integrity.sound else 1)


def _after(plan: Plan | None, plan_path: Path | None, out: Path) -> str:
    """What comes after a sound drive."""
    if plan is None:
        return "drive the next pass; 'towertap list' says what is there, 'towertap compare' compares the parts"
    from towertap.compare.inventory import inventory, lacking

    left = lacking(plan, inventory(out))
    if not left:
        return shlex.join(["towertap", "compare", str(out), "--plan", str(plan_path)])
    return f"{left[0].words}; left of the plan: {counted(len(left), 'drive')}"
