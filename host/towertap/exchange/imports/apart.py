"""Reads a file with scipy or asammdf in a process of its own, because a damaged file can crash them."""

import json
import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import numpy as np

from towertap.errors import FileError

ROOM = "towertap.exchange.imports"
LONGEST_S = 600.0
MOST_MEMORY = 2**33
"""Bytes, if the system can limit a process: a small file may decompress to any size."""


@dataclass(frozen=True, eq=False)
class Arrays:
    """The arrays and texts in a file, by name."""

    arrays: dict[str, np.ndarray]
    texts: dict[str, str]


def read_apart(reader: str, path: Path) -> Arrays:
    """Run the function `arrays` of the module `reader` in this folder; FileError if it raises anything or crashes."""
    with tempfile.TemporaryDirectory(prefix="towertap-") as folder:
        target = Path(folder) / "arrays.npz"
        command = [sys.executable, "-m", f"{ROOM}.apart", reader, str(path), str(target)]
        try:
            done = subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=False)
        except subprocess.TimeoutExpired:
            raise FileError(f"{path}: not read within {LONGEST_S:g} s; it is damaged, or far too large") from None
        if done.returncode or not target.exists():
            words = done.stdout.decode("utf-8", "replace").strip().splitlines()[-1:] or ["it crashed its reader"]
            raise FileError(f"{path}: cannot be read ({words[0][:120]})")
        with np.load(target) as stored:
            names, texts = json.loads(str(stored["names"])), json.loads(str(stored["texts"]))
            return Arrays({name: stored[f"array_{k}"] for k, name in enumerate(names)}, texts)


def _main(reader: str, path: Path, target: Path) -> int:
    with suppress(ImportError, ValueError, OSError):  # not on Windows; ValueError above a limit that is set already
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    try:
        content = import_module(f"{ROOM}.{reader}").arrays(path)
    except Exception as error:
        print(" ".join(str(error).split()) or type(error).__name__)
        return 1
    numbered = {f"array_{k}": array for k, array in enumerate(content.arrays.values())}
    np.savez(target, names=json.dumps(list(content.arrays)), texts=json.dumps(content.texts), **numbered)
    return 0


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])))
