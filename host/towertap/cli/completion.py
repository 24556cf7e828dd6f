"""`towertap completion`: print the script with which a shell completes commands, options and files."""

import click
from click.shell_completion import BashComplete, FishComplete, ZshComplete

from towertap.errors import CallError

SHELLS = {
    "bash": (BashComplete, 'add to ~/.bashrc: eval "$(towertap completion bash)"'),
    "zsh": (ZshComplete, 'add to ~/.zshrc: eval "$(towertap completion zsh)"'),
    "fish": (FishComplete, "run once: towertap completion fish > ~/.config/fish/completions/towertap.fish"),
}
"""Shell → what makes its script, and how to enable it."""


@click.command(
    help="Print a script that lets SHELL complete commands, options and files.\n\n\b\n"
    + "\n".join(f"{shell}: {how}" for shell, (_, how) in SHELLS.items())
)
@click.argument("shell", type=click.Choice([*SHELLS]))
def command(shell: str) -> int:
    """Print the script for the shell to read; there is no other answer."""
    root, (kind, _) = click.get_current_context().find_root(), SHELLS[shell]
    try:
        print(kind(root.command, {}, "towertap", "_TOWERTAP_COMPLETE").source(), flush=True)
    except BrokenPipeError:  # click would exit with status 1, which elsewhere means "not sound"
        raise CallError("standard output was closed before the answer was written") from None
    return 0
