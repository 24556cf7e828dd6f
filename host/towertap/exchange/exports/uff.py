"""Universal file, data set 58 (binary): one time function per axis and piece, because its abscissa must be even.

The format gives the abscissa's step with six digits; ID line 2 has the true rate.
"""

import shutil
import warnings
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from towertap.exchange.samples import FORMAT, Samples

MOST_ROWS = 2**18
"""Rows of one function; those of all axes are in memory at once."""
LINE = 80
"""Characters in an ID line."""
TIME_RESPONSE, TIME, ACCELERATION, UNKNOWN = 1, 17, 12, 0
"""Function type and specific data types of data set 58, records 6 and 8."""


def write(samples: Samples, path: Path) -> None:
    """Write piece by piece through a small temporary file, because pyuff reads its file again after every function.

    A piece also ends where the chip had no valid reading, because pyuff would write NaN as 0.
    """
    with path.open("wb") as file, TemporaryDirectory(prefix=".towertap-", dir=path.parent) as folder:
        piece = Path(folder) / "piece.uff"
        for part in samples.cut(MOST_ROWS):
            values = np.concatenate([block for _, block in part.piece_blocks(part.pieces[0])])
            for rows in np.ma.clump_unmasked(np.ma.masked_invalid(values.sum(axis=1))):
                start_s = part.metadata["starts_at_s"] + rows.start / part.rate_hz
                abscissa_s = np.array([start_s, start_s + 1 / part.rate_hz])  # pyuff takes start and step from it
                axes = range(len(part.columns))
                _write_piece(piece, [_function(part, axis, values[rows, axis], abscissa_s) for axis in axes])
                with piece.open("rb") as functions:
                    shutil.copyfileobj(functions, file)
                piece.unlink()


def _write_piece(path: Path, functions: list[dict[str, Any]]) -> None:
    import pyuff

    refusal = None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # pyuff does not close its files
        try:
            pyuff.UFF(str(path)).write_sets(functions)
        except Exception as error:  # pyuff wraps an OSError in a bare Exception
            if not isinstance(error.__context__, OSError):
                raise
            refusal = OSError(error.__context__.errno, error.__context__.strerror)
    if refusal:  # raised here, its traceback does not hold pyuff's open files
        raise refusal


def _function(samples: Samples, number: int, values: np.ndarray, abscissa_s: np.ndarray) -> dict[str, Any]:
    column, metadata, conditions = samples.columns[number], samples.metadata, samples.metadata["conditions"]
    lines = [
        f"{FORMAT}: {column.name}, {metadata['axes']} axes",
        f"rate {metadata['rate_hz']!r} Hz, starts at {abscissa_s[0]:.9f} s",
        f"{metadata['start_utc'] or 'start not known'} UTC",
        ", ".join(f"{conditions[key]}" for key in ("vehicle", "part", "road") if conditions[key]),
        f"pass {conditions['pass_number'] or '-'}, {metadata['chip']}, {metadata['capture']}",
    ]
    return {
        "type": 58,
        "binary": 1,
        "func_type": TIME_RESPONSE,
        **{f"id{k}": _ascii(text) or "NONE" for k, text in enumerate(lines, start=1)},
        "rsp_node": 1,
        "rsp_dir": number + 1,  # translations along x, y, z are 1 to 3, rotations about them 4 to 6
        "ref_node": 0,
        "ref_dir": 0,
        "abscissa_spacing": 1,
        "abscissa_spec_data_type": TIME,
        "abscissa_axis_lab": "time",
        "abscissa_axis_units_lab": "s",
        "ordinate_spec_data_type": ACCELERATION if column.quantity == "acceleration" else UNKNOWN,
        "ordinate_axis_lab": f"{column.quantity} {column.axis}",
        "ordinate_axis_units_lab": column.unit.replace("²", "^2").replace("°", "deg"),
        "orddenom_spec_data_type": UNKNOWN,
        "z_axis_spec_data_type": UNKNOWN,
        "x": abscissa_s,
        "data": values,
    }


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode()[:LINE]
