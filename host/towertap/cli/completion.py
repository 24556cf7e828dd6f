"""`towertap completion`: what a shell needs to complete commands, options and files."""

import click
from click.shell_completion import BashComplete, FishComplete, ZshComplete

from towertap.errors import CallError

SHELLS = {
    "bash": (BashComplete, 'add to ~/.bashrc: eval "$(towertap completion bash)"'),
    "zsh": (ZshComplete, 'add to ~/.zshrc: eval "$(towertap completion zsh)"'),
    "fish": (FishComplete, "run once: towertap completion fish > ~/.config/fish/completions/towertap.fish"),
}
"""Shell → what makes its script, and how it is switched on."""


@click.command(
    help="Print what SHELL needs to complete commands, options and files.\n\n\b\n"
    + "\n".join(f"{shell}: {how}" for shell, (_, how) in SHELLS.items())
)
@click.argument("shell", type=click.Choice([*SHELLS]))
def command(shell: str) -> int:
    """Print the script as it is, so that a shell can read it; it has no other answer."""
    root, (kind, _) = click.get_current_context().find_root(), SHELLS[shell]
    try:
        print(kind(root.command, {}, "towertap", "_TOWERTAP_COMPLETE").source(), flush=True)
    except BrokenPipeError:  # click would end with a status that elsewhere means "not sound"
        raise CallError("standard output was closed before the answer was written") from None
    return 0
