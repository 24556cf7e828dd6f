"""The command line: a table of commands, each a module of its own that is loaded when it is called."""

import os
import sys
from contextlib import suppress
from importlib import import_module
from keyword import iskeyword

import click

from towertap.doors.terminal import shown
from towertap.doors.whole_file import NO_ROOM
from towertap.errors import CallError, TowertapError
from towertap.version import VERSION
from towertap.words.phrases import did_you_mean

COMMANDS = {
    "analyse": "acceleration, weighted acceleration, jerk and bands of one capture, per second and as a whole",
    "archive": "keep recordings for years, find them again, prove that nothing changed",
    "bench": "know the sensor before the road: self-test, noise, calibration, mounting",
    "check": "prove a capture sound, or say why it is not",
    "compare": "before against after, with the pass as the unit, and a report",
    "completion": "let bash, zsh or fish complete commands, options and files",
    "correct": "correct the conditions of recordings: name, sidecar and capture together",
    "decode": "make a capture from a raw recording",
    "demo": "the whole job on an invented minibus, with no hardware",
    "drop": "strike a pass out, with the reason; the files stay",
    "export": "a capture's samples as CSV, Parquet, MATLAB, NumPy, WAV, UFF 58 or MDF 4",
    "flash": "put the firmware on a board",
    "import": "another recorder's samples as a capture: CSV, WAV, MATLAB or MDF",
    "list": "what lies in a folder of drives, what is lacking, what compare would use",
    "listen": "before and after of one place as a sound",
    "plan": "before driving: how many passes, in which order, and a run sheet",
    "record": "record a drive from the box",
    "settings": "what is set once for all, and where each value is from",
    "show": "a picture of one capture, and what there is to say of it",
    "simbox": "start a simulated box that plays a capture",
    "wear": "one part over months: its trend, its change since the first fit, when it leaves the margin",
}
"""Command name → one-line help. Command NAME lives in `towertap/cli/NAME.py` as a click command called `command`, or in
`NAME_.py` where NAME is a word of Python's own; it has its name from here."""


class _LazyGroup(click.Group):
    """A group that lists its commands from the table and imports one only when it runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            if ctx.resilient_parsing:  # completion, which refuses nothing
                return None
            raise click.UsageError(f"no command is called '{cmd_name}'{did_you_mean(cmd_name, COMMANDS)}", ctx)
        module = f"{cmd_name}_" if iskeyword(cmd_name) else cmd_name
        command: click.Command = import_module(f"towertap.cli.{module}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([*COMMANDS.items()])  # the command `list` hides the word of Python's own


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(VERSION, prog_name="towertap")
def group() -> None:
    """Evidence for suspension work.

    Record what a hard point of the body feels on rough and smooth roads, before and after a part is changed; prove the
    recordings sound; compare them with the pass as the unit; keep them.

    Exit status: 0 done, 1 the answer is "not sound", 2 the input or the call is wrong: one line on standard error says
    what and what to do, and nothing is on standard output, with --json as well.
    """


def main() -> None:
    """Run the command line; turn every expected failure into one line on standard error and exit status 2."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # more threads only wait for each other, at full speed
    sys.stderr = sys.stderr or open(os.devnull, "w")  # noqa: SIM115 - closed: nobody hears of errors
    try:
        if sys.stdout is None:
            raise CallError("standard output is closed: there is nowhere to answer")
        sys.exit(group.main(standalone_mode=False) or 0)
    except (click.exceptions.Abort, KeyboardInterrupt):
        _fail("stopped by the user", 130)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()  # the help as it is laid out, not an error's one line
        sys.exit(2)
    except click.UsageError as error:
        called = [name for name in sys.argv[1:2] if name in COMMANDS]  # an option without its value knows no context
        command = error.ctx.command_path if error.ctx else " ".join(["towertap", *called])
        _fail(f"{error.format_message()} (see '{command} --help')")
    except click.ClickException as error:
        _fail(error.format_message())
    except TowertapError as error:
        _fail(str(error))
    except OSError as error:
        advice = ""
        if isinstance(error, PermissionError):
            advice = "; get the right to it, or name another place"
        elif error.errno in NO_ROOM:
            advice = "; make room there, or name a place on another disk"
        _fail(f"{error.filename or 'the system'}: {error.strerror or error}{advice}")


def _fail(line: str, status: int = 2) -> None:
    with suppress(OSError):
        print(f"towertap: {shown(' '.join(line.split()))}", file=sys.stderr)
        sys.stderr.flush()
    if sys.stdout:  # what could not be written must not be tried again on the way out
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(status)
