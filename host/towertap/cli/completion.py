"""`towertap completion`: what a shell needs to complete commands, options and files."""

import click
from click.shell_completion import get_completion_class

from towertap.errors import CallError

SHELLS = {
    "bash": 'add to ~/.bashrc: eval "$(towertap completion bash)"',
    "zsh": 'add to ~/.zshrc: eval "$(towertap completion zsh)"',
    "fish": "run once: towertap completion fish > ~/.config/fish/completions/towertap.fish",
}
"""Shell → how it is switched on."""


@click.command(
    help="Print what SHELL needs to complete commands, options and files.\n\n\b\n"
    + "\n".join(f"{shell}: {how}" for shell, how in SHELLS.items())
)
@click.argument("shell", type=click.Choice([*SHELLS]))
def command(shell: str) -> int:
    """Print the script as it is, so that a shell can read it; it has no other answer."""
    root, kind = click.get_current_context().find_root(), get_completion_class(shell)
    try:
        print(kind and kind(root.command, {}, "towertap", "_TOWERTAP_COMPLETE").source(), flush=True)
    except BrokenPipeError:  # click would end with a status that elsewhere means "not sound"
        raise CallError("standard output was closed before the answer was written") from None
    return 0
