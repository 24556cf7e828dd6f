"""Where the box's firmware lies: inside the installed package, or in the checkout beside the host."""

from pathlib import Path

from towertap.errors import TowertapError


def firmware_dir() -> Path:
    """Return the folder that holds `main.py`, `towertap_box/` and `simboard/`.

    Raises TowertapError when this installation carries no firmware.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "_firmware", package.parents[1] / "firmware"):
        if (folder / "main.py").is_file():
            return folder
    raise TowertapError("this installation carries no firmware; install towertap again from its wheel or checkout")


def board_files() -> list[Path]:
    """Return what belongs on a board, as paths relative to `firmware_dir()`: all but the simulated board."""
    folder = firmware_dir()
    return [Path("main.py"), *sorted(path.relative_to(folder) for path in folder.glob("towertap_box/**/*.py"))]
