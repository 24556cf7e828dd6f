"""The command line itself, without a command."""

import pytest


@pytest.mark.parametrize("call", [(), ("bench",)])
def test_without_a_command_the_help_is_shown_line_by_line(run, call):
    status, out, err = run(*call)
    assert (status, out) == (2, "")
    lines = [line.strip() for line in err.splitlines()]
    assert lines[0].startswith("Usage: ")
    assert "Commands:" in lines
