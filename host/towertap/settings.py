"""What a person sets once for all: a TOML file, the environment over it, and a command's options over both."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta
from platformdirs import user_config_path

from towertap.doors.structured import read_toml, typed
from towertap.errors import CallError, FileError

FILE_VARIABLE = "TOWERTAP_SETTINGS"


class Settings(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The settings, and what holds where nobody set any."""

    units: Literal["si", "g"] = "si"
    archive: str = ""
    bench: str = ""
    margin: Annotated[float, Meta(gt=0, lt=100)] = 10.0
    sounds: bool = True


WORDS = {
    "units": "of exported values: si (m/s², rad/s) or g (g, °/s)",
    "archive": "the folder of the archive",
    "bench": "the folder of the bench records; when empty, 'bench' beside the captures",
    "margin": "the change that counts, in percent, where no plan names one",
    "sounds": "whether the report of a comparison comes with sounds: true or false",
}
"""What each is, for people."""


@dataclass(frozen=True)
class Setting:
    """One setting's value and where it is from."""

    name: str
    value: Any
    source: str


def variable(name: str) -> str:
    """The environment variable of a setting."""
    return f"TOWERTAP_{name.upper()}"


def settings_file() -> Path:
    """Where the file is looked for: $TOWERTAP_SETTINGS, or else the system's place for settings (XDG on Linux)."""
    named = os.environ.get(FILE_VARIABLE)
    return Path(named) if named else user_config_path("towertap", appauthor=False) / "settings.toml"


def settings() -> list[Setting]:
    """Every setting; FileError in one line for a file or variable that holds something else."""
    path = settings_file()
    content = read_toml(path, dict[str, Any], "a TOML file of settings") if os.path.lexists(path) else {}
    if unknown := sorted(set(content) - set(WORDS)):
        raise FileError(f"{path}: no setting is called {unknown[0]!r}; there are {', '.join(WORDS)}")
    in_file = typed(content, Settings, str(path))

    def settled(name: str) -> Setting:
        if (text := os.environ.get(variable(name))) is not None:
            return Setting(name, _of_text(name, text), variable(name))
        return Setting(name, getattr(in_file, name), str(path) if name in content else "built in")

    return [settled(name) for name in WORDS]


def setting(name: str) -> Any:
    """One setting's value; a folder as a Path with `~` resolved, None where it is not set."""
    value = next(entry.value for entry in settings() if entry.name == name)
    if name in ("archive", "bench"):
        return Path(value).expanduser() if value else None
    return value


def archive_folder(given: Path | None = None) -> Path:
    """The archive that a command names, or else the one that is set; CallError where neither is."""
    folder: Path | None = given or setting("archive")
    if folder is None:
        line = f"archive = 'FOLDER' in {settings_file()}"
        raise CallError(f"which archive? name its folder: 'towertap archive add FOLDER drives', or set one: {line}")
    return folder


def default(name: str) -> Callable[[], Any]:
    """What gives a command's option its value when it is not said."""
    return lambda: setting(name)


def _of_text(name: str, text: str) -> Any:
    try:
        return getattr(msgspec.convert({name: text}, Settings, strict=False), name)
    except msgspec.ValidationError:
        raise FileError(f"{variable(name)}: {text!r} cannot be: it is {WORDS[name]}") from None
