"""Prints to a terminal. Text is shown literally: control codes and markup in it have no effect."""

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

_REPLACEMENT = 0xFFFD
_SHOWN: dict[int, int] = {
    **{code: 0x2400 + code for code in range(0x20)},  # Unicode's control pictures
    0x7F: 0x2421,
    # without a picture: C1 controls, line and paragraph separators, bidirectional controls, lone surrogates
    **dict.fromkeys([*range(0x80, 0xA0), *range(0x2028, 0x202F), *range(0x2066, 0x206A)], _REPLACEMENT),
    **dict.fromkeys(range(0xD800, 0xE000), _REPLACEMENT),
}
UNBROKEN = "\ue000"
"""A non-breaking space: rich breaks lines even at U+00A0."""
_SHOWN_IN_LINES = {code: symbol for code, symbol in _SHOWN.items() if code != 0x0A} | {ord(UNBROKEN): " "}


def shown(text: str) -> str:
    """Untrusted text to show within a line: every control character, including a line end, becomes a symbol."""
    return text.translate(_SHOWN)


class Terminal(Console):
    """A rich console without markup that prints control characters as symbols."""

    def __init__(self, **options: Any) -> None:
        super().__init__(markup=False, emoji=False, highlight=False, **options)

    def render_str(self, text: str, **options: Any) -> Text:
        """Same as rich, after control characters are replaced, so that table columns get the right width."""
        return super().render_str(text.translate(_SHOWN_IN_LINES), **options)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Same as rich, with the control characters in every segment replaced."""
        for segment in super().render(renderable, options):
            if segment.control:
                yield segment
            else:
                yield Segment(segment.text.translate(_SHOWN_IN_LINES), segment.style)

    def on_broken_pipe(self) -> None:
        """Let the caller handle it: rich would exit with status 1, which here means "not sound"."""
        raise  # the current BrokenPipeError
