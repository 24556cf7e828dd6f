"""The one way out to a terminal: text is shown as it is, never obeyed, neither as control codes nor as markup."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

_REPLACEMENT = 0xFFFD
_SHOWN: dict[int, int] = {
    **{code: 0x2400 + code for code in range(0x20)},  # Unicode's own pictures of the control characters
    0x7F: 0x2421,
    # what has none: C1 controls, line and paragraph separators, turners of the writing direction, lone surrogates
    **dict.fromkeys([*range(0x80, 0xA0), *range(0x2028, 0x202F), *range(0x2066, 0x206A)], _REPLACEMENT),
    **dict.fromkeys(range(0xD800, 0xE000), _REPLACEMENT),
}
UNBROKEN = "\ue000"
"""A space that no line is broken at: at U+00A0 rich breaks lines."""
_SHOWN_IN_LINES = {code: symbol for code, symbol in _SHOWN.items() if code != 0x0A} | {ord(UNBROKEN): " "}


def shown(text: str) -> str:
    """A text from outside for a place within a line: each control character, a line end too, becomes a symbol."""
    return text.translate(_SHOWN)


class Terminal(Console):
    """A rich console that takes no markup and shows the control characters of whatever is printed as symbols."""

    def __init__(self, **options: Any) -> None:
        super().__init__(markup=False, emoji=False, highlight=False, **options)

    def render_str(self, text: str, **options: Any) -> Text:
        """As rich does it, of a text that is harmless already, so that a table's columns are wide enough for it."""
        return super().render_str(text.translate(_SHOWN_IN_LINES), **options)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """As rich does it, with the text of every segment made harmless."""
        for segment in super().render(renderable, options):
            if segment.control:
                yield segment
            else:
                yield Segment(segment.text.translate(_SHOWN_IN_LINES), segment.style)

    def on_broken_pipe(self) -> None:
        """Leave it to the caller: rich would end the program with a status that here means "not sound"."""
        raise  # the BrokenPipeError that is being handled
