"""User settings: a TOML file, overridden by environment variables, which a command's options override."""

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
    """The settings and their defaults."""

    units: Literal["si", "g"] = "si"
    archive: str = ""
    bench: str = ""
    margin: Annotated[float, Meta(gt=0, lt=100)] = 10.0
    sounds: bool = True


WORDS = {
    "units": "of exported values: si (m/s², rad/s) or g (g, °/s)",
    "archive": "the folder of the archive",
    "bench": "the folder of the bench records; if empty, 'bench' next to the captures",
    "margin": "the change that counts, in percent, if no plan gives one",
    "sounds": "whether the report of a comparison includes sounds: true or false",
}
"""What each setting means, as shown to the user."""


@dataclass(frozen=True)
class Setting:
    """One setting's value and where it comes from."""

    name: str
    value: Any
    source: str


def variable(name: str) -> str:
    """Name of a setting's environment variable."""
    return f"TOWERTAP_{name.upper()}"


def settings_file() -> Path:
    """Path of the settings file: $TOWERTAP_SETTINGS, or the system's default place (XDG on Linux)."""
    path = os.environ.get(FILE_VARIABLE)
    return Path(path) if path else user_config_path("towertap", appauthor=False) / "settings.toml"


def settings() -> list[Setting]:
    """All settings; FileError if the file or a variable holds anything else."""
    path = settings_file()
    content = read_toml(path, dict[str, Any], "a TOML file of settings") if os.path.lexists(path) else {}
    if unknown := sorted(set(content) - set(WORDS)):
        raise FileError(f"{path}: no setting is called {unknown[0]!r}; the settings are {', '.join(WORDS)}")
    in_file = typed(content, Settings, str(path))

    def resolve(name: str) -> Setting:
        if (text := os.environ.get(variable(name))) is not None:
            return Setting(name, _parsed(name, text), variable(name))
        return Setting(name, getattr(in_file, name), str(path) if name in content else "built in")

    return [resolve(name) for name in WORDS]


def setting(name: str) -> Any:
    """One setting's value; a folder as a Path with `~` expanded, or None if not set."""
    value = next(entry.value for entry in settings() if entry.name == name)
    if name in ("archive", "bench"):
        return Path(value).expanduser() if value else None
    return value


def archive_folder(given: Path | None, usage: str) -> Path:
    """The archive given to a command, or the one in the settings; CallError with `usage` if there is neither."""
    folder: Path | None = given or setting("archive")
    if folder is None:
        line = f"archive = 'FOLDER' in {settings_file()}"
        raise CallError(f"which archive? name its folder: 'towertap {usage}', or set one: {line}")
    return folder


def default(name: str) -> Callable[[], Any]:
    """Default of a command's option: a function that returns the setting."""
    return lambda: setting(name)


def _parsed(name: str, text: str) -> Any:
    try:
        return getattr(msgspec.convert({name: text}, Settings, strict=False), name)
    except msgspec.ValidationError:
        raise FileError(f"{variable(name)}: {text!r} is not valid; {name}: {WORDS[name]}") from None
