"""A whole plan in one go: the next drive named big, Enter begins, Enter stops, sound or not, next."""

import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rich.panel import Panel
from rich.text import Text

from towertap.amendments import strike_out
from towertap.box.glimpse import glimpse
from towertap.capture.conditions import Conditions
from towertap.cli._asking import ask, ask_for, said, tell
from towertap.cli._idle import record_idle
from towertap.cli._outcome import Outcome, console, judged
from towertap.cli._preflight import Check, gravity, preflight
from towertap.cli._recording import RecordedDrive, Recorder
from towertap.compare.drives.slots import Key
from towertap.compare.inventory import inventory, lacking
from towertap.compare.plan.plan import Plan, PlannedDrive
from towertap.errors import AnalysisError, BoxError, CallError
from towertap.words.phrases import counted

SETTLED = ("tyre_pressures_kpa", "air_temperature_c", "box_position", "mounting")
"""Asked once: what does not change from drive to drive."""
AGAIN = ("tyre_pressures_kpa", "air_temperature_c")
"""And again where a part is fitted."""
KEYS = "Enter begins; n adds a note to it, r drives the last one again, q ends the day"
ALL_DRIVEN = "All drives of the plan are recorded. Enter ends the day; r drives the last one again"
WIDTH = 78


@dataclass
class Day:
    """The drives of a plan as they are recorded; `known` are the conditions that hold until they change.

    `done` are part, road and number of the passes that need no drive any more; `notes` are typed before a drive
    and stay with its pass when that is driven again.
    """

    plan: Plan
    plan_path: Path
    recorder: Recorder
    known: dict[str, Any]
    driven: list[RecordedDrive] = field(default_factory=list)
    struck_out: list[str] = field(default_factory=list)
    done: set[Key] = field(default_factory=set)
    notes: dict[Key, str] = field(default_factory=dict)

    def run(self) -> Outcome:
        """Settle what does not change, look at the box, then one drive after the other."""
        left = lacking(self.plan, inventory(self.recorder.out), self.known.get("box_position") or "")
        self.done = {_key(drive) for drive in self.plan.drives if drive not in left}
        if not left:
            raise CallError(
                f"{self.plan_path}: all {len(self.plan.drives)} drives are recorded in {self.recorder.out}; strike one "
                "out with 'towertap drop' to drive it again"
            )
        fitting, choice = self._fitting(left[0]), ""
        self._tell_fit(left[0])
        self._settle(SETTLED)
        self._look()
        while choice != "q":
            left = self._left()
            if left and self._fitting(left[0]) != fitting:
                fitting = self._fitting(left[0])
                self._tell_fit(left[0])
                self._settle(AGAIN, over=True)
            try:
                choice = self._turn(left[0] if left else None)
            except BoxError as error:
                choice = self._lost(error)
        return self._outcome()

    def _left(self) -> list[PlannedDrive]:
        return [drive for drive in self.plan.drives if _key(drive) not in self.done]

    def _turn(self, drive: PlannedDrive | None) -> str:
        """One choice of the passenger, and what it asks for; `drive` is the next one, None after the last."""
        choice = self._announce(drive) if drive else ask(ALL_DRIVEN, _one_of("rq"), "") or "q"
        if choice == "r":
            self._again(self.driven[-1], ask("Why is it driven again (traffic, line, braked …)", _reason))
        elif choice == "" and drive:
            self._drive(drive)
        return choice

    def _lost(self, error: Exception) -> str:
        """Say what is wrong with the box, and try it again until it answers or the day is ended ("q")."""
        self.recorder.ring()
        tell(str(error))
        while ask("Enter tries the box again, q ends the day", _one_of("q"), "") != "q":
            try:
                self.recorder.box.reopen()
                self.recorder.box.greet()
            except (BoxError, OSError) as still:
                tell(str(still))
            else:
                return ""
        return "q"

    def _settle(self, names: tuple[str, ...], over: bool = False) -> None:
        """Ask for what the plan and the options leave open; `over`: again, with what was said offered."""
        wanted = [name for name in names if over or self.known.get(name) in (None, "")]
        self.known = said(ask_for(wanted, self.known, self.recorder.out))

    def _look(self) -> None:
        """The checks before the day; a mounting that gravity speaks against is mended here."""
        checks = {check.name: check for check in preflight(self.recorder, self.known.get("mounting", ""))}
        for check in checks.values():
            console.print(judged(check.ok, check.text), soft_wrap=True)
        self._mend(checks["gravity"])
        if not checks["record of idle"].ok:
            self._idle()

    def _mend(self, check: Check) -> None:
        while check.ok is False:
            self.known = said(ask_for(["mounting"], {k: v for k, v in self.known.items() if k != "mounting"}, Path()))
            check = gravity(glimpse(self.recorder.box, self.recorder.odr_hz), self.known["mounting"])
            console.print(judged(check.ok, check.text), soft_wrap=True)

    def _idle(self) -> None:
        """Once a session: what the engine shakes at rest is no road, and no part."""
        conditions = Conditions.from_dict(self.known | {"vehicle": self.plan.vehicle})
        question = "Record the engine idling first? It stops by itself after 20 s (Enter: yes, s: skip)"
        while ask(question, _one_of("s"), "") != "s":
            try:
                console.print(f"idle: {record_idle(self.recorder, conditions)}", soft_wrap=True)
                return
            except AnalysisError as error:
                tell(f"no record of the engine idling: {error}")

    def _announce(self, drive: PlannedDrive) -> str:
        """Name the drive, big, and ask what is to be done (empty: begin)."""
        number, count = self.plan.drives.index(drive) + 1, len(self.plan.drives)
        lines = [
            Text(f"DRIVE {number} OF {count}:  {drive.road}, pass {drive.pass_number}", "bold"),
            Text(f"with {drive.part}, at {self.plan.speed_kmh(drive.road):g} km/h"),
            *([Text(fit, "bold red")] if (fit := self._fit(drive)) else []),
            *([Text(f"note: {note}")] if (note := self.notes.get(_key(drive))) else []),
        ]
        console.print(Panel(Text("\n").join(lines), width=WIDTH))
        self._mend(gravity(glimpse(self.recorder.box, self.recorder.odr_hz), self.known["mounting"]))
        while True:
            choice = ask(KEYS, _one_of("rnq"), "")
            if choice == "n":
                self.notes[_key(drive)] = ask("Note", str)
            elif choice == "r" and not self.driven:
                tell("nothing is recorded yet since this began; 'towertap drop' strikes out what was recorded before")
            else:
                return choice

    def _fitting(self, drive: PlannedDrive) -> tuple[str, int]:
        """The part, and which of its installations."""
        return drive.part, self.plan.slots[_key(drive)].installation

    def _fit(self, drive: PlannedDrive) -> str:
        """What is to be done to the car before a drive; empty when its part is in, as it is before the first."""
        driven = self.done | {_key(recorded.conditions) for recorded in self.driven}
        number = self.plan.drives.index(drive)
        fitted_before = [self._fitting(other) for other in self.plan.drives if _key(other) in driven]
        if number == 0 or self._fitting(drive) in fitted_before:
            return ""
        again = self.plan.drives[number - 1].part == drive.part
        return f"TAKE {drive.part} OUT AND FIT IT ANEW FIRST" if again else f"FIT {drive.part} FIRST"

    def _tell_fit(self, drive: PlannedDrive) -> None:
        """Said before what is asked of the car as it then is."""
        if fit := self._fit(drive):
            console.print(Text(fit, "bold red"), soft_wrap=True)

    def _drive(self, drive: PlannedDrive) -> None:
        """Record one drive, say whether it is sound, and offer it again where it is not."""
        of_drive = {"part": drive.part, "road": drive.road, "pass_number": drive.pass_number}
        of_drive["notes"] = self.notes.get(_key(drive), "")
        of_plan = {"vehicle": self.plan.vehicle, "speed_kmh": self.plan.speed_kmh(drive.road)}
        driven = self.recorder.drive(Conditions.from_dict(self.known | of_plan | of_drive))
        self.driven.append(driven)
        self.done.add(_key(drive))
        if not driven.problem:
            remark, seconds = driven.integrity.remark, driven.integrity.seconds
            text = f"{remark or 'sound'}, {seconds:.1f} s: {driven.capture_path.name}"
            console.print(judged(True, text), soft_wrap=True)
            return
        self.recorder.ring()
        console.print(judged(False, f"to be used: {driven.problem}"), soft_wrap=True)
        if ask("Enter drives it again and strikes this one out; k keeps it and goes on", _one_of("k"), "") != "k":
            self._again(driven, driven.reason)

    def _again(self, driven: RecordedDrive, reason: str) -> None:
        """Strike a drive out, so that it is the next one."""
        strike_out(driven.capture_path, reason)
        self.struck_out.append(driven.capture_path.name)
        self.done.discard(_key(driven.conditions))
        console.print(f"struck out: {driven.capture_path.name}", soft_wrap=True)

    def _outcome(self) -> Outcome:
        left = self._left()
        kept = [driven for driven in self.driven if driven.capture_path.name not in self.struck_out]
        unusable = [driven for driven in kept if driven.problem]
        data = {
            "drives": [driven.data() for driven in self.driven],
            "struck_out": self.struck_out,
            "left": left,
        }
        recorded = f"{counted(len(kept), 'drive')} recorded, {len(self.struck_out)} struck out"
        lines = [f"{recorded}; left of the plan: {counted(len(left), 'drive')}"]
        if left:
            lines.append(f"Next: {left[0].words}: {shlex.join(['towertap', *sys.argv[1:]])}")  # the same call goes on
        else:
            compare = ["towertap", "compare", self.recorder.out, "--plan", self.plan_path, "--report", "report"]
            lines.append(f"Next: {shlex.join(map(str, compare))}")
        lines += [f"not to be used: {driven.capture_path.name}: {driven.problem}" for driven in unusable]
        return Outcome(data, "\n".join(lines), 1 if unusable else 0)


def _key(drive: PlannedDrive | Conditions) -> Key:
    return drive.part, drive.road, drive.pass_number


def _one_of(keys: str) -> Callable[[str], str]:
    """Reads one of the keys, or nothing where Enter alone was pressed."""

    def choice(text: str) -> str:
        if (key := text.casefold()) not in ("", *keys):
            raise CallError(f"'{text}' is none of the keys")
        return key

    return choice


def _reason(text: str) -> str:
    if not text:
        raise CallError("a pass that is struck out needs its reason")
    return text
