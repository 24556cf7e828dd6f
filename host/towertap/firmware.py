"""Locates the box's firmware: in the installed package, or in the checkout next to the host."""

from pathlib import Path

from towertap.errors import TowertapError


def firmware_dir() -> Path:
    """The folder with `main.py`, `towertap_box/` and `simboard/`; TowertapError if there is none."""
    package = Path(__file__).resolve().parent
    for folder in (package / "_firmware", package.parents[1] / "firmware"):
        if (folder / "main.py").is_file():
            return folder
    raise TowertapError("this installation has no firmware; install towertap again from its wheel or checkout")


def board_files() -> list[Path]:
    """The files for a board, as paths relative to `firmware_dir()`: everything except the simulated board."""
    folder = firmware_dir()
    return [Path("main.py"), *sorted(path.relative_to(folder) for path in folder.glob("towertap_box/**/*.py"))]
