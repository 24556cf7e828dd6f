"""Settings: an option overrides the environment, that the file, and that the built-in value. And shell completion."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from towertap.settings import WORDS, setting, settings_file

from tests.conftest import TOWERTAP


def values_and_sources(answer):
    return {name: (entry["value"], entry["source"]) for name, entry in answer("settings")["settings"].items()}


@pytest.fixture
def file(tmp_path, monkeypatch):
    path = tmp_path / "settings.toml"
    monkeypatch.setenv("TOWERTAP_SETTINGS", str(path))
    return path


def test_the_environment_overrides_the_file_and_the_file_built_in_values(file, run, monkeypatch, answer):
    assert values_and_sources(answer)["margin"] == (10.0, "built in")
    file.write_text('margin = 8\nunits = "g"\narchive = "~/drives"\n')
    assert values_and_sources(answer)["margin"] == (8.0, str(file))
    monkeypatch.setenv("TOWERTAP_MARGIN", "7.5")
    monkeypatch.setenv("TOWERTAP_SOUNDS", "false")
    assert values_and_sources(answer) == {
        "units": ("g", str(file)),
        "archive": ("~/drives", str(file)),
        "bench": ("", "built in"),
        "margin": (7.5, "TOWERTAP_MARGIN"),
        "sounds": (False, "TOWERTAP_SOUNDS"),
    }
    assert str(setting("archive")) == os.path.expanduser("~/drives")
    assert setting("bench") is None
    status, out, _ = run("settings")
    assert status == 0
    for name, words in WORDS.items():
        assert name in out
        assert words in out


def test_an_option_overrides_both(file, run, monkeypatch, make_capture):
    capture = make_capture()
    monkeypatch.setenv("TOWERTAP_UNITS", "g")
    words = ("export", capture, "--to", ".csv", "--mounting", "x=+X,y=+Y,z=+Z")
    assert "acceleration_z_g" in (run(*words), capture.with_suffix(".csv").read_text("utf-8"))[1]
    assert "acceleration_z_ms2" in (run(*words, "--units", "si"), capture.with_suffix(".csv").read_text("utf-8"))[1]


def test_a_comparison_uses_the_margin_that_is_set(answer, monkeypatch):
    monkeypatch.setenv("TOWERTAP_MARGIN", "20")
    parts = (
        "--before",
        "rubber-bush",
        "--after",
        "polyurethane-bush",
        "--smooth",
        "bypass",
        "--metric",
        "weighted_z",
        "--whole",
    )
    words = ("compare", Path(__file__).parents[2] / "example_captures", *parts)
    assert answer(*words)["margin"] == 0.2
    assert answer(*words, "--margin", "12")["margin"] == 0.12


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("margin = ", "not TOML"),
        ("margin = 0", "margin must be a number above 0"),
        ('margin = "ten"', "margin must be a number"),
        ('colour = "red"', "no setting is called 'colour'; the settings are units, archive, bench, margin, sounds"),
        ('units = "furlongs"', "units"),
    ],
)
def test_an_invalid_file_is_one_line_and_status_2(content, says, file, refused):
    file.write_text(content)
    err = refused("settings")
    assert str(file) in err
    assert says in err


def test_an_invalid_variable_is_one_line(file, refused, monkeypatch):
    monkeypatch.setenv("TOWERTAP_MARGIN", "plenty")
    err = refused("settings")
    assert "TOWERTAP_MARGIN: 'plenty' is not valid" in err


@pytest.mark.skipif(sys.platform != "linux", reason="XDG Base Directory Specification: a convention of Linux")
def test_the_file_is_where_xdg_has_it(monkeypatch, tmp_path):
    monkeypatch.delenv("TOWERTAP_SETTINGS")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert settings_file() == tmp_path / "towertap" / "settings.toml"


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_gets_its_script_and_its_completions(shell, run):
    """By click's protocol: the test makes the call that the script makes."""
    status, out, _ = run("completion", shell)
    assert status == 0
    assert "_TOWERTAP_COMPLETE" in out
    asked = {"bash": ("towertap ex", "1"), "zsh": ("towertap ex", "1"), "fish": ("towertap ex", "ex")}[shell]
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv = ['towertap']; from towertap.cli import main; main()"],
        env=os.environ | {"_TOWERTAP_COMPLETE": f"{shell}_complete", "COMP_WORDS": asked[0], "COMP_CWORD": asked[1]},
        capture_output=True,
        text=True,
    )
    assert "export" in done.stdout


def test_no_colour_with_no_color(make_capture):
    """NO_COLOR (no-color.org), also with a forced terminal."""
    command = [*TOWERTAP, "check", str(make_capture())]
    environment = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM")}
    coloured, plain = (
        subprocess.run(command, env=environment | more | {"FORCE_COLOR": "1", "TERM": "xterm"}, capture_output=True)
        for more in ({}, {"NO_COLOR": "1"})
    )
    assert b"\x1b[32m" in coloured.stdout
    assert b"\x1b[32m" not in plain.stdout
    assert b"sound" in plain.stdout
