"""Text printed to a terminal is shown literally: no control characters, no markup."""

import io

import pytest
from rich.live import Live
from rich.table import Table
from rich.text import Text
from towertap.doors.terminal import Terminal, shown

HOSTILE = "\x1b]0;title\x07\x1b[2J\r\x9b31m\x7f[/b][red]\u202esdrawkcab\ud800:warning:"


def table_of(text):
    table = Table("what")
    table.add_row(text)
    return table


def printed(*what, **options):
    file = io.StringIO()
    Terminal(file=file, width=200, **options).print(*what)
    return file.getvalue()


def test_control_characters_become_unicode_control_pictures():
    # The Unicode Standard, block Control Pictures: U+2400 + code, U+2421 for DEL
    assert shown("a\x00\x1b\n\t\x7fz") == "a\u2400\u241b\u240a\u2409\u2421z"
    assert shown("Brücke 5 m/s² \N{SNOWMAN}") == "Brücke 5 m/s² \N{SNOWMAN}"


@pytest.mark.parametrize("wrap", [str, Text, table_of], ids=["string", "text", "table"])
def test_nothing_hostile_reaches_the_terminal(wrap):
    out = printed(wrap(HOSTILE))
    assert not set(out) & {*map(chr, range(0x0A)), "\r", "\x1b", "\x7f", "\x9b", "\u202e", "\ud800"}
    assert "[/b][red]" in out
    assert ":warning:" in out


def test_our_own_colours_stay():
    out = printed(Text("NOT", "red"), force_terminal=True, color_system="standard")
    assert out.startswith("\x1b[31mNOT\x1b[0m")


def test_a_live_screen_is_harmless_too():
    file = io.StringIO()
    terminal = Terminal(file=file, width=80, force_terminal=True, color_system=None)
    with Live(table_of("gate\x1b[2J"), console=terminal, auto_refresh=False):
        pass
    assert "gate\u241b[2J" in file.getvalue()
    assert "\x1b[2J" not in file.getvalue()
