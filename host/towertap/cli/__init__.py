"""The command line: a table of commands. Each is a module that is imported only when it runs."""

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
    "analyse": "acceleration, weighted acceleration, jerk and bands of one capture, per second and overall",
    "archive": "keep recordings for years, find them again, prove that nothing changed",
    "bench": "measure the sensor before driving: self-test, noise, calibration, mounting",
    "check": "check that a capture is sound, or say why it is not",
    "compare": "compare before and after, with the pass as the unit, and write a report",
    "completion": "let bash, zsh or fish complete commands, options and files",
    "correct": "correct the conditions of recordings: name, sidecar and capture together",
    "decode": "make a capture from a raw recording",
    "demo": "do the complete job on an invented minibus, without hardware",
    "drop": "strike out a pass, with the reason; its files stay",
    "export": "write a capture's samples as CSV, Parquet, MATLAB, NumPy, WAV, UFF 58 or MDF 4",
    "flash": "put the firmware on a board",
    "import": "make a capture from another recorder's samples: CSV, WAV, MATLAB or MDF",
    "list": "list the recordings in a folder, the drives still to do, and what compare would use",
    "listen": "hear one place before and after, as a sound file",
    "plan": "plan a comparison: how many passes, in which order, with a run sheet",
    "record": "record drives from the box",
    "settings": "show the settings and where each value comes from",
    "show": "draw one capture and summarise it",
    "simbox": "start a simulated box that plays a capture",
    "wear": "follow one part over months: its trend, its change since the first fit, when it leaves the margin",
}
"""Command name → one-line help. Command NAME is the click command `command` in `towertap/cli/NAME.py`, or in `NAME_.py`
if NAME is a Python keyword."""


class _LazyGroup(click.Group):
    """A group that lists its commands from the table and imports each only when it runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            if ctx.resilient_parsing:  # shell completion
                return None
            raise click.UsageError(f"no command is called '{cmd_name}'{did_you_mean(cmd_name, COMMANDS)}", ctx)
        module = f"{cmd_name}_" if iskeyword(cmd_name) else cmd_name
        command: click.Command = import_module(f"towertap.cli.{module}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([*COMMANDS.items()])  # the submodule `list` shadows the built-in here


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(VERSION, prog_name="towertap")
def group() -> None:
    """Evidence for suspension work.

    Record what a hard point of the body feels on rough and smooth roads, before and after a part is changed. Check that
    the recordings are sound, compare them with the pass as the unit, and keep them.

    Exit status: 0 done, 1 the answer is "not sound", 2 the input or the call is wrong. With status 2, one line on
    standard error says what is wrong and what to do; standard output is empty, with --json too.
    """


def main() -> None:
    """Run the command line; turn every expected failure into one line on standard error and exit status 2."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # more threads would busy-wait for each other
    sys.stderr = sys.stderr or open(os.devnull, "w")  # noqa: SIM115 - None if the caller closed it
    try:
        if sys.stdout is None:
            raise CallError("standard output is closed, so there is nowhere to print the answer")
        sys.exit(group.main(standalone_mode=False) or 0)
    except (click.exceptions.Abort, KeyboardInterrupt):
        _fail("stopped by the user", 130)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()  # prints the help page
        sys.exit(2)
    except click.UsageError as error:
        called = [name for name in sys.argv[1:2] if name in COMMANDS]  # an option without its value has no context
        command = error.ctx.command_path if error.ctx else " ".join(["towertap", *called])
        _fail(f"{error.format_message()} (see '{command} --help')")
    except click.ClickException as error:
        _fail(error.format_message())
    except TowertapError as error:
        _fail(str(error))
    except OSError as error:
        advice = ""
        if isinstance(error, PermissionError):
            advice = "; change its permissions, or name another place"
        elif error.errno in NO_ROOM:
            advice = "; free some space there, or name a place on another disk"
        _fail(f"{error.filename or 'the system'}: {error.strerror or error}{advice}")


def _fail(line: str, status: int = 2) -> None:
    with suppress(OSError):
        print(f"towertap: {shown(' '.join(line.split()))}", file=sys.stderr)
        sys.stderr.flush()
    if sys.stdout:  # Python must not try at exit to write what could not be written
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(status)
