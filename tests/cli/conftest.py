"""The command line as the shell sees it, run in this process."""

import sys

import pytest
from towertap import cli


@pytest.fixture
def run(monkeypatch, capsys):
    """A function from the words after `towertap` to (exit status, standard output, standard error)."""

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["towertap", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        return ended.value.code, *capsys.readouterr()

    return call
