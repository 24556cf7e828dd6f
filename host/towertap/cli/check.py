"""`towertap check`: check that captures are sound, or say why not."""

from pathlib import Path

import click
from rich.text import Text

from towertap.capture.conditions import StruckOut
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.cli._outcome import PATH, Outcome, answers, judged, lines

NOT_FROM_A_BOX = " as far as another recorder's file can show; only a box can prove what is marked --"


@click.command(
    help="Check that CAPTURES are sound, or say why one is not (exit status 1).",
    epilog="Example: towertap check drives/bypass_rubber_pass01.h5",
)
@click.argument("captures", nargs=-1, required=True, type=PATH)
@answers
def command(captures: tuple[Path, ...]) -> Outcome:
    """Check, and show one line per rule and then the verdict; several captures are headed by their names."""
    entries, texts = [], []
    for path in captures:
        with open_capture(path) as capture:
            integrity, struck = check(capture), capture.struck_out
        entries.append({"capture": path, "struck_out": struck and struck.to_dict(), **integrity.data()})
        texts += [*([Text(str(path), "bold")] if len(captures) > 1 else []), _text(integrity, struck)]
    sound = all(entry["sound"] for entry in entries)
    return Outcome({"sound": sound, "captures": entries}, lines(*texts), 0 if sound else 1)


def _text(integrity: Integrity, struck: StruckOut | None) -> Text:
    verdict = Text("sound" if integrity.sound else "not sound:", "bold")
    if integrity.sound and not integrity.from_box:
        verdict.append(NOT_FROM_A_BOX, "not bold")
    rules = [judged(rule.ok, rule.text) for rule in integrity.rules]
    left_out = [Text(f"{struck.words}; comparisons leave it out", "yellow")] if struck else []
    return lines(*rules, _started(integrity), *left_out, verdict, *(f"  - {text}" for text in integrity.reasons))


def _started(integrity: Integrity) -> str:
    """When the first sample was taken, as far as it is known."""
    if integrity.started_utc is None:
        return "      started: not known, the recording has no sidecar"
    uncertainty = "uncertainty not known from the clock readings"
    if integrity.started_uncertainty_s is not None:
        uncertainty = f"± {integrity.started_uncertainty_s * 1000:.1f} ms by the computer's clock"
    return f"      started {integrity.started_utc} ({uncertainty})"
