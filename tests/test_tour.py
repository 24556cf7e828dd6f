"""The tour: every command in hardware_notes/tour.md is run, and its output is the page's.

`python tests/test_tour.py` updates the outputs on the page.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "hardware_notes" / "tour.md"
WIDTH = 110
"""Longer lines are wrapped on the page."""
OF_EARLIER_RUNS = shutil.ignore_patterns("streams", ".towertap", "values_seen.json")
FENCE = re.compile(r"^```sh\n(.*?)^```$", re.DOTALL | re.MULTILINE)


def commands(block: str) -> list[tuple[str, str]]:
    """The commands of a block, each with its output."""
    parts = re.split(r"^\$ ((?:.*\\\n)*.*)\n", block, flags=re.MULTILINE)
    assert not parts[0].strip(), f"a block of the tour begins without a command: {parts[0]!r}"
    return list(zip(parts[1::2], parts[2::2], strict=True))


def run(command: str, folder: Path) -> str:
    """Output of a command in a shell, with the towertap of this Python."""
    tool = f'towertap() {{ "{sys.executable}" -c "from towertap.cli import main; main()" "$@"; }}; '
    environment = {name: value for name, value in os.environ.items() if not name.startswith("TOWERTAP_")}
    environment |= {"COLUMNS": str(WIDTH), "TOWERTAP_SETTINGS": str(folder / "none.toml"), "NO_COLOR": "1"}
    done = subprocess.run(
        ["bash", "-c", tool + command], cwd=folder, env=environment, capture_output=True, text=True, timeout=120
    )
    return "\n".join(line.rstrip() for line in (done.stdout + done.stderr).splitlines()) + "\n"


def on_page(output: str) -> str:
    """An output as on the page: lines of at most WIDTH, none empty at either end."""
    wrap = textwrap.TextWrapper(WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
    lines = output.strip("\n").splitlines()
    return "".join(f"{part}\n" for line in lines for part in (wrap.wrap(line) if len(line) > WIDTH else [line]))


def as_it_is(page: str, folder: Path) -> str:
    """The page with the present outputs of its commands."""
    shutil.copytree(ROOT / "example_captures", folder / "example_captures", ignore=OF_EARLIER_RUNS)

    def again(block: re.Match[str]) -> str:
        shown = (f"$ {command}\n{on_page(run(command, folder))}" for command, _ in commands(block[1]))
        return "```sh\n" + "".join(shown) + "```"

    return FENCE.sub(again, page)


def test_the_tour_shows_what_its_commands_print(tmp_path):
    page = PAGE.read_text("utf-8")
    assert len(FENCE.findall(page)) >= 8
    assert as_it_is(page, tmp_path) == page


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        PAGE.write_text(as_it_is(PAGE.read_text("utf-8"), Path(place)), "utf-8")
