"""`towertap settings`: what is set, and where each value is from."""

import click
from rich.console import Group

from towertap.cli._outcome import Outcome, answers, as_rich
from towertap.settings import FILE_VARIABLE, WORDS, settings, settings_file, variable
from towertap.words.table import tabulate


@click.command(
    help=f"""Show every setting with its value and where it is from.

A value comes from a command's option, else from the environment ({variable("margin")} and the like), else from a TOML
file, one `name = value` a line, else it is built in. {FILE_VARIABLE} names another file."""
)
@answers
def command() -> Outcome:
    """Show them in a table."""
    path = settings_file()
    entries = settings()
    data = {
        "file": path,
        "exists": path.exists(),
        "settings": {entry.name: {"value": entry.value, "source": entry.source} for entry in entries},
    }
    rows = [
        {
            "setting": entry.name,
            "value": (str(entry.value).lower() if isinstance(entry.value, bool) else str(entry.value)) or "–",
            "from": entry.source,
            "what it is": WORDS[entry.name],
        }
        for entry in entries
    ]
    return Outcome(data, Group(f"{path}{'' if path.exists() else ' (not there)'}", as_rich(tabulate("", rows))))
