"""The command line itself, without a command."""

import errno
import os
import subprocess
import sys

import pytest
from towertap.cli import COMMANDS
from towertap.compare.findings.describe import WORDS


@pytest.mark.parametrize("call", [(), ("bench",)])
def test_without_a_command_the_help_is_shown_line_by_line(run, call):
    status, out, err = run(*call)
    assert (status, out) == (2, "")
    lines = [line.strip() for line in err.splitlines()]
    assert lines[0].startswith("Usage: ")
    assert "Commands:" in lines


@pytest.mark.parametrize("name", ["archive", "bench"])
def test_the_lists_of_commands_are_not_cut_short(run, monkeypatch, name):
    monkeypatch.setenv("COLUMNS", "80")
    _, out, _ = run(name, "--help")
    listed = out.partition("Commands:\n")[2].partition("\n\n")[0].splitlines()
    assert len(listed) > 3
    assert [line for line in listed if line.endswith("...")] == []


@pytest.mark.parametrize(
    "name",
    [
        "record",
        "decode",
        "check",
        "analyse",
        "plan",
        "compare",
        "wear",
        "archive",
        "bench",
        "list",
        "show",
        "drop",
        "correct",
        "simbox",
    ],
)
def test_the_help_ends_in_an_example_whose_options_exist(run, name):
    status, out, _ = run(name, "--help")
    options, _, example = out.partition("  Example: ")
    assert (status, example.split()[:2]) == (0, ["towertap", name])
    flags = [word for word in example.split() if word.startswith("--")]
    if name == "bench":
        options = run(*example.split()[1:3], "--help")[1]
    assert [flag for flag in flags if flag not in options] == []


def test_a_misspelt_command_gets_a_guess(run, refused):
    err = refused("recrod")
    assert err == "towertap: no command is called 'recrod'; did you mean 'record'? (see 'towertap --help')\n"
    assert "did you mean" not in run("xyz")[2]


def test_the_help_of_compare_explains_folder_and_verdicts(run):
    words = " ".join(run("compare", "--help")[1].split())
    assert [verdict for verdict in WORDS if f"{verdict} " not in words.partition("Verdicts ")[2]] == []
    assert "A B B A" in words
    assert "standard output is empty, with --json" in " ".join(run("--help")[1].split())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("compare", ".", "--plan", "samples.csv"), "; give the plan.json that `towertap plan` wrote"),
        (("list", "samples.csv"), "give its folder, or use 'towertap show' for one capture"),
        (("check", "samples.csv"), "'towertap import' makes one from another recorder's file"),
        (("correct", "samples.csv", "--part"), "(see 'towertap correct --help')"),
        (("record", "--port", "/dev/null"), "/dev/null: not a serial port; plug the box in or give another --port"),
    ],
)
def test_a_wrong_kind_of_file_is_refused_with_the_right_one(run, monkeypatch, tmp_path, words, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "samples.csv").write_text("x,y,z\n1,2,3\n")
    status, out, err = run(*words)
    assert (status, out, err.count("\n"), says in err) == (2, "", 1, True), err


HELP = """
import sys
from towertap import cli
for name in sys.argv[1:]:
    cli.group.main([name, "--help"], standalone_mode=False)
heavy = "allantools", "h5py", "jinja2", "matplotlib", "multiprocessing", "pandas", "scipy.linalg", "scipy.special"
print("loaded:", [library for library in heavy if library in sys.modules])
"""


def test_help_imports_no_slow_library():
    """numpy is imported: wire format and schema use its types."""
    printed = subprocess.run([sys.executable, "-c", HELP, *COMMANDS], capture_output=True, text=True, check=True).stdout
    assert printed.splitlines()[-1] == "loaded: []"


def test_a_denied_file_is_named_with_what_to_do(refused, monkeypatch, make_capture, tmp_path):
    """It names the requested file, not the hidden temporary one. The denial is simulated, because root may write."""

    def denied(part, _):
        raise PermissionError(errno.EACCES, "Permission denied", os.fspath(part))

    capture, path = make_capture(), tmp_path / "samples.csv"
    monkeypatch.setattr(os, "replace", denied)
    err = refused("export", capture, "--to", path, "--chip-axes")
    assert err == f"towertap: {path}: Permission denied; change its permissions, or name another place\n"
    assert list(tmp_path.glob(".samples*")) == []
