"""Records all drives of a plan: announces the next one, records it between two presses of Enter, checks it, goes on."""

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
from towertap.cli._asking import ask, ask_for, given, remark
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
"""Asked once: these do not change from drive to drive."""
AGAIN = ("tyre_pressures_kpa", "air_temperature_c")
"""Asked again after a part is fitted."""
KEYS = "Enter begins; n adds a note, r repeats the last drive, q ends the day"
ALL_DRIVEN = "All drives of the plan are recorded. Enter ends the day; r repeats the last drive"
WIDTH = 78


@dataclass
class Day:
    """The drives of a plan as they are recorded; `known` are the conditions that hold until changed.

    `done` holds the keys of passes that need no more drives. `notes` are typed before a drive, and stay with its pass
    if that is repeated.
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
        """Ask for what does not change, check the box, then record drive by drive."""
        left = lacking(self.plan, inventory(self.recorder.out), self.known.get("box_position") or "")
        self.done = {_key(drive) for drive in self.plan.drives if drive not in left}
        if not left:
            raise CallError(
                f"{self.plan_path}: all {len(self.plan.drives)} drives are recorded in {self.recorder.out}; to repeat "
                "one, strike it out with 'towertap drop'"
            )
        installation, choice = self._installation(left[0]), ""
        self._print_fit(left[0])
        self._settle(SETTLED)
        self._check_box()
        while choice != "q":
            left = self._left()
            if left and self._installation(left[0]) != installation:
                installation = self._installation(left[0])
                self._print_fit(left[0])
                self._settle(AGAIN, again=True)
            try:
                choice = self._turn(left[0] if left else None)
            except BoxError as error:
                choice = self._lost(error)
        return self._outcome()

    def _left(self) -> list[PlannedDrive]:
        return [drive for drive in self.plan.drives if _key(drive) not in self.done]

    def _turn(self, drive: PlannedDrive | None) -> str:
        """Take one choice of the passenger and act on it; `drive` is the next drive, None after the last."""
        choice = self._announce(drive) if drive else ask(ALL_DRIVEN, _one_of("rq"), "") or "q"
        if choice == "r":
            self._strike_out(self.driven[-1], ask("Why is it repeated (traffic, line, braked …)", _reason))
        elif choice == "" and drive:
            self._drive(drive)
        return choice

    def _lost(self, error: Exception) -> str:
        """Say what is wrong with the box, and retry until it answers or the passenger ends the day ("q")."""
        self.recorder.ring()
        remark(str(error))
        while ask("Enter tries the box again, q ends the day", _one_of("q"), "") != "q":
            try:
                self.recorder.box.reopen()
                self.recorder.box.greet()
            except (BoxError, OSError) as next_error:
                remark(str(next_error))
            else:
                return ""
        return "q"

    def _settle(self, names: tuple[str, ...], again: bool = False) -> None:
        """Ask for conditions that the plan and the options leave open; with `again`, ask for all of `names`."""
        unknown = [name for name in names if again or self.known.get(name) in (None, "")]
        self.known = given(ask_for(unknown, self.known, self.recorder.out))

    def _check_box(self) -> None:
        """The checks before the day. If gravity contradicts the mounting, ask for the mounting."""
        checks = {check.name: check for check in preflight(self.recorder, self.known.get("mounting", ""))}
        for check in checks.values():
            console.print(judged(check.ok, check.text), soft_wrap=True)
        self._correct_mounting(checks["gravity"])
        if not checks["record of idle"].ok:
            self._idle()

    def _correct_mounting(self, check: Check) -> None:
        while check.ok is False:
            self.known = given(ask_for(["mounting"], self.known | {"mounting": None}, Path()))
            check = gravity(glimpse(self.recorder.box, self.recorder.odr_hz), self.known["mounting"])
            console.print(judged(check.ok, check.text), soft_wrap=True)

    def _idle(self) -> None:
        """Offer to record the engine idling, once per session."""
        conditions = Conditions.from_dict(self.known | {"vehicle": self.plan.vehicle})
        question = "Record the engine idling first? It stops by itself after 20 s (Enter: yes, s: skip)"
        while ask(question, _one_of("s"), "") != "s":
            try:
                console.print(f"idle: {record_idle(self.recorder, conditions)}", soft_wrap=True)
                return
            except AnalysisError as error:
                remark(f"no record of the engine idling: {error}")

    def _announce(self, drive: PlannedDrive) -> str:
        """Announce the drive in a panel, and ask what to do (empty: begin)."""
        number, count = self.plan.drives.index(drive) + 1, len(self.plan.drives)
        lines = [
            Text(f"DRIVE {number} OF {count}:  {drive.road}, pass {drive.pass_number}", "bold"),
            Text(f"with {drive.part}, at {self.plan.speed_kmh(drive.road):g} km/h"),
            *([Text(fit, "bold red")] if (fit := self._fit(drive)) else []),
            *([Text(f"note: {note}")] if (note := self.notes.get(_key(drive))) else []),
        ]
        console.print(Panel(Text("\n").join(lines), width=WIDTH))
        self._correct_mounting(gravity(glimpse(self.recorder.box, self.recorder.odr_hz), self.known["mounting"]))
        while True:
            choice = ask(KEYS, _one_of("rnq"), "")
            if choice == "n":
                self.notes[_key(drive)] = ask("Note", str)
            elif choice == "r" and not self.driven:
                remark("nothing is recorded yet in this session; 'towertap drop' strikes out an earlier recording")
            else:
                return choice

    def _installation(self, drive: PlannedDrive) -> tuple[str, int]:
        """The part and the number of its installation."""
        return drive.part, self.plan.slots[_key(drive)].installation

    def _fit(self, drive: PlannedDrive) -> str:
        """What to do to the car before a drive; empty if the part is in, as it is before the first."""
        driven = self.done | {_key(recorded.conditions) for recorded in self.driven}
        number = self.plan.drives.index(drive)
        installed = [self._installation(other) for other in self.plan.drives if _key(other) in driven]
        if number == 0 or self._installation(drive) in installed:
            return ""
        is_refit = self.plan.drives[number - 1].part == drive.part
        return f"TAKE {drive.part} OUT AND FIT IT AGAIN FIRST" if is_refit else f"FIT {drive.part} FIRST"

    def _print_fit(self, drive: PlannedDrive) -> None:
        """Print it before asking for conditions, which are those after the work."""
        if fit := self._fit(drive):
            console.print(Text(fit, "bold red"), soft_wrap=True)

    def _drive(self, drive: PlannedDrive) -> None:
        """Record one drive, say whether it is sound, and offer to repeat it if not."""
        conditions = self.known | {
            "vehicle": self.plan.vehicle,
            "part": drive.part,
            "road": drive.road,
            "pass_number": drive.pass_number,
            "speed_kmh": self.plan.speed_kmh(drive.road),
            "notes": self.notes.get(_key(drive), ""),
        }
        driven = self.recorder.drive(Conditions.from_dict(conditions))
        self.driven.append(driven)
        self.done.add(_key(drive))
        if not driven.problem:
            integrity = driven.integrity
            text = f"{integrity.remark or 'sound'}, {integrity.seconds:.1f} s: {driven.capture_path.name}"
            console.print(judged(True, text), soft_wrap=True)
            return
        self.recorder.ring()
        console.print(Text(f"NOT usable: {driven.problem}", "red"), soft_wrap=True)
        if ask("Enter strikes it out and repeats it; k keeps it and goes on", _one_of("k"), "") != "k":
            self._strike_out(driven, driven.reason)

    def _strike_out(self, driven: RecordedDrive, reason: str) -> None:
        """Strike a drive out, so that it is the next one again."""
        strike_out(driven.capture_path, reason)
        self.struck_out.append(driven.capture_path.name)
        self.done.discard(_key(driven.conditions))
        console.print(f"struck out: {driven.capture_path.name}", soft_wrap=True)

    def _outcome(self) -> Outcome:
        left = self._left()
        kept = [driven for driven in self.driven if driven.capture_path.name not in self.struck_out]
        unusable = [driven for driven in kept if driven.problem]
        data = {"drives": [driven.data() for driven in self.driven], "struck_out": self.struck_out, "left": left}
        recorded = f"{counted(len(kept), 'drive')} recorded, {len(self.struck_out)} struck out"
        lines = [f"{recorded}; still to drive: {counted(len(left), 'drive')}"]
        if left:
            lines.append(f"Next: {left[0].words}: {shlex.join(['towertap', *sys.argv[1:]])}")  # the same call continues
        else:
            compare = ["towertap", "compare", self.recorder.out, "--plan", self.plan_path, "--report", "report"]
            lines.append(f"Next: {shlex.join(map(str, compare))}")
        lines += [f"not usable: {driven.capture_path.name}: {driven.problem}" for driven in unusable]
        return Outcome(data, "\n".join(lines), 1 if unusable else 0)


def _key(drive: PlannedDrive | Conditions) -> Key:
    return drive.part, drive.road, drive.pass_number


def _one_of(keys: str) -> Callable[[str], str]:
    """A reader of one of the keys, or of Enter alone as an empty text."""

    def read(text: str) -> str:
        if (key := text.casefold()) not in ("", *keys):
            raise CallError(f"'{text}' is not one of the keys")
        return key

    return read


def _reason(text: str) -> str:
    if not text:
        raise CallError("a reason is needed to strike out a pass")
    return text
