"""`towertap settings`: show the settings and where each value comes from."""

import click
from rich.console import Group

from towertap.cli._outcome import Outcome, answers, as_rich
from towertap.settings import FILE_VARIABLE, WORDS, settings, settings_file, variable
from towertap.words.table import tabulate


@click.command(
    help=f"""Show every setting, its value and where the value comes from.

A command's option comes first, then the environment ({variable("margin")} and so on), then a TOML file with a line
`name = value` for each setting, then the built-in value. {FILE_VARIABLE} names another file."""
)
@answers
def command() -> Outcome:
    """Show the settings in a table."""
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
    return Outcome(data, Group(f"{path}{'' if path.exists() else ' (does not exist)'}", as_rich(tabulate("", rows))))
