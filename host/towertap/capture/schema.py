"""The capture schema: a table of datasets and attributes, validated on writing and on reading."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from towertap.capture import differences, frame_table
from towertap.capture.imported import LAYOUTS_OF_OTHERS
from towertap.errors import FileError
from towertap.lazily import h5py
from towertap.wire.layouts import LAYOUTS, Layout
from towertap.wire.messages import MESSAGES

NAME = "towertap capture"
VERSION = (4, 0)
"""1.0: two quantities of 16 bits. 2.0: gyroscope optional, counts of up to 32 bits, status messages. 3.0: counts are
stored as differences along time. 4.0: frames too; tables without rows are left out."""
LARGEST_CHUNK_BYTES = 16 * 2**20
LARGEST_TEXT_BYTES = 2**24
LARGEST_TABLE_ROWS = 100_000
BEST_DEFLATE_RATIO = 1032
"""Deflate's limit (RFC 1951: 258 bytes in two bits); a higher ratio means a declared shape without data."""
MOST_TIMES_STORED, MUCH_BYTES = 100, 2**28
"""A live chip's noise does not compress to a tenth; an hour of a dead chip's zeros must still be readable."""
WORST_DEFLATE_RATIO = 1.01
"""Deflate expands data by less than this plus a few bytes; a longer chunk would inflate to more than it declares."""
FILTERS = {1, 2, 3}
"""HDF5's numbers of deflate, shuffle and checksum. Every HDF5 library has these; any other filter is a plug-in."""


@dataclass(frozen=True)
class Dataset:
    """A dataset of a capture, growing along its first axis."""

    name: str
    dtype: np.dtype
    what: str
    columns: int = 0
    """Length of the second axis; 0 if there is none."""
    chunk_rows: int = 256
    is_long: bool = False
    """Grows with the number of samples; the others are small tables that are read at once."""

    @property
    def tail(self) -> tuple[int, ...]:
        """The shape of a row."""
        return (self.columns,) if self.columns else ()


@dataclass(frozen=True)
class Attribute:
    """An attribute of the file itself."""

    name: str
    kind: str
    """`text` (UTF-8 of fixed length, which plain h5py returns as bytes), `int`, `float`, or `floats` (a pair)."""
    what: str
    quantity: str = ""
    """Required only if the chip measures this; empty: always."""


GAP = np.dtype([("row", "<i8"), ("missing", "<i8"), ("reason", "S20"), ("time_us", "<i8")])
LOST = np.dtype([("row", "<i8"), ("messages", "<i8"), ("time_us", "<i8")])
DAMAGE = np.dtype([("raw_offset", "<i8"), ("bytes", "<i8")])

FRAMES = Dataset(frame_table.NAME, frame_table.FRAME, frame_table.WHAT, 0, frame_table.STRETCH, True)
_EARLIER_FRAMES = replace(FRAMES, name=frame_table.EARLIER)
_TABLES = (
    Dataset("gaps", GAP, "before `row`, `missing` samples are not here (-1: not known how many); box clock"),
    Dataset("lost_messages", LOST, "before `row` so many frames without samples are not here, at least; box clock"),
    Dataset("damage", DAMAGE, "stretches of the raw bytes that could not be decoded"),
)


def counts_of(layout: Layout, version: tuple[int, int] = VERSION) -> dict[str, Dataset]:
    """The datasets of a chip's counts, by quantity."""
    suffix, what = ("_differences", differences.WHAT) if version >= (3, 0) else ("", "counts of the chip")
    return {
        name: Dataset(name + suffix, quantity.dtype, f"{what}, x y z in chip axes", 3, differences.STRETCH, True)
        for name, quantity in layout.quantities.items()
    }


def tables() -> list[Dataset]:
    """The small tables, present only if they have rows: those above, and one for each message type that is stored."""
    entries = [message.table for message in MESSAGES.values() if message.table]
    columns = [("row", "<i8"), ("time_us", "<i8")]
    return [*_TABLES, *(Dataset(entry.name, np.dtype([*columns, *entry.columns]), entry.what) for entry in entries)]


ATTRIBUTES = (
    Attribute("schema", "text", "always 'towertap capture'"),
    Attribute("schema_version", "text", "MAJOR.MINOR; a reader refuses a newer MAJOR"),
    Attribute("written_by", "text", "program and version"),
    Attribute("chip", "text", "sensor"),
    Attribute("layout", "int", "layout id of the wire format; -1 and -2: three or six axes of another recorder"),
    Attribute("odr_hz", "float", "nominal rate, Hz"),
    Attribute("rate_hz", "float", "true rate against the box clock, Hz"),
    Attribute("rate_interval_hz", "floats", "95 % interval of rate_hz; NaN when the frames do not carry one"),
    Attribute("acceleration_scale_ms2", "float", "m/s² a count"),
    Attribute("rotation_scale_rads", "float", "rad/s a count", "rotation"),
    Attribute("anti_alias_hz", "float", "-3 dB bandwidth set in the chip, Hz; NaN when not told"),
    Attribute("hello", "text", "the box's hello, JSON"),
    Attribute("bye", "text", "the box's bye, JSON; empty when the recording was cut"),
    Attribute("conditions", "text", "conditions of the drive, JSON"),
    Attribute("host", "text", "what the recording host knew (clock, versions), JSON"),
    Attribute("started_utc", "text", "start of the recording, ISO 8601; empty when not known"),
    Attribute("raw_name", "text", "name of the raw recording"),
    Attribute("raw_bytes", "int", "its length"),
    Attribute("raw_sha256", "text", "its SHA-256"),
    Attribute("bad_frames", "int", "damaged frames in the raw bytes"),
    Attribute("unknown_frames", "int", "whole frames of an unknown type or layout"),
    Attribute("skipped_bytes", "int", "raw bytes that are in no frame"),
)
SCALES = {"acceleration": "acceleration_scale_ms2", "rotation": "rotation_scale_rads"}
"""Quantity → attribute with its m/s² or rad/s per count."""

_SHAPES = {"text": (), "int": (), "float": (), "floats": (2,)}
_KINDS = {"text": "S", "int": "iu", "float": "f", "floats": "f"}


def create(file: h5py.File, entry: Dataset) -> None:
    """Create an empty dataset in a new file."""
    dataset = file.create_dataset(
        entry.name,
        shape=(0, *entry.tail),
        maxshape=(None, *entry.tail),
        dtype=entry.dtype,
        chunks=(entry.chunk_rows, 1) if entry.columns else (entry.chunk_rows,),
        compression="gzip",
        compression_opts=5,  # 9 is slower and saves a kilobyte in ten minutes of tables; counts are compressed already
        shuffle=True,
    )
    set_attributes(dataset, {"what": entry.what})


def set_attributes(owner: h5py.File | h5py.Dataset, values: Mapping[str, Any]) -> None:
    """Set attributes, texts with a fixed length: damaged variable-length texts can make HDF5 loop for ever."""
    for name, value in values.items():
        text = value.encode() if isinstance(value, str) else None
        kind = None if text is None else h5py.string_dtype("utf-8", max(1, len(text)))
        owner.attrs.create(name, value if text is None else text, dtype=kind)


def small_table(file: h5py.File, name: str) -> np.ndarray:
    """All rows of one of `tables`; empty if the file does not have it."""
    dtypes = {entry.name: entry.dtype for entry in tables()}
    rows: np.ndarray = file[name][:] if name in file else np.empty(0, dtypes[name])
    return rows


def text_attribute(file: h5py.File, name: str) -> str:
    """A text attribute of the file."""
    return bytes(file.attrs[name]).decode("utf-8", "replace")


DAMAGED = (OSError, RuntimeError, KeyError, ValueError, TypeError)
"""What h5py raises on a damaged file."""
AGAIN = "decode the raw recording again"
NEWER = "install a newer towertap"


def validate(file: h5py.File) -> Layout:
    """Validate an open file and return its chip's layout; FileError names the first thing that is wrong.

    Checks shapes, types and links but reads no contents, so a hostile file cannot make it read much.
    """
    version = version_of(file)
    for entry in ATTRIBUTES:
        if not entry.quantity:
            _validate_attribute(file, entry)
    layout = (LAYOUTS | LAYOUTS_OF_OTHERS).get(int(file.attrs["layout"]))
    if layout is None:
        chip, number = text_attribute(file, "chip")[:40], int(file.attrs["layout"])
        raise FileError(f"a capture of a chip ({chip}, layout {number}) that this towertap does not know: {NEWER}")
    for entry in ATTRIBUTES:
        if entry.quantity in layout.quantities:
            _validate_attribute(file, entry)
    counts = list(counts_of(layout, version).values())
    optional = [entry for entry in (FRAMES, _EARLIER_FRAMES, *tables()) if entry.name in file]
    stored = [_validated_dataset(file, entry) for entry in (*counts, *optional)]
    if len({dataset.shape[0] for dataset in stored[: len(counts)]}) > 1:
        raise FileError("damaged capture: acceleration and rotation differ in length")
    if len({h5py.h5o.get_info(dataset.id).addr for dataset in stored}) < len(stored):
        raise FileError("refused: one table of the capture has two names")
    declared = sum(dataset.size * dataset.dtype.itemsize for dataset in stored)
    packed = sum(dataset.id.get_storage_size() for dataset in stored)
    if declared > MOST_TIMES_STORED * packed + MUCH_BYTES:
        sizes = f"{declared / 1e6:.0f} MB in {packed / 1e6:.1f} MB"
        raise FileError(f"refused: declares {sizes}; no live chip's samples compress that much")
    return layout


def version_of(file: h5py.File) -> tuple[int, int]:
    """The schema version of a file; FileError if it is not a capture, or a newer one."""
    for entry in ATTRIBUTES[:2]:
        _validate_attribute(file, entry)
    if text_attribute(file, "schema") != NAME:
        raise FileError("an HDF5 file, but not a towertap capture; make one with 'towertap decode RAW'")
    version = text_attribute(file, "schema_version")
    numbers = re.fullmatch(r"([0-9]{1,5})\.([0-9]{1,5})", version)
    if not numbers:
        raise FileError(f"damaged capture: schema version {version[:20]!r} is not MAJOR.MINOR")
    major, minor = int(numbers[1]), int(numbers[2])
    if major > VERSION[0]:
        raise FileError(f"a capture of schema {version}, but this towertap reads only up to {VERSION[0]}.x: {NEWER}")
    return major, minor


def _validate_attribute(file: h5py.File, entry: Attribute) -> None:
    if entry.name not in file.attrs:
        if entry.name == "schema":
            raise FileError("an HDF5 file, but not a towertap capture; make one with 'towertap decode RAW'")
        raise FileError(f"damaged capture: attribute '{entry.name}' is missing; {AGAIN}")
    stored = file.attrs.get_id(entry.name)
    fits = stored.shape == _SHAPES[entry.kind] and stored.dtype.kind in _KINDS[entry.kind]
    if not fits or stored.dtype.itemsize > LARGEST_TEXT_BYTES:
        raise FileError(f"damaged capture: attribute '{entry.name}' is not {entry.kind}; {AGAIN}")


def _validated_dataset(file: h5py.File, entry: Dataset) -> h5py.Dataset:
    link = file.get(entry.name, getlink=True)
    if link is None:
        raise FileError(f"damaged capture: /{entry.name} is missing; {AGAIN}")
    if not isinstance(link, h5py.HardLink):
        raise FileError(f"refused: /{entry.name} is a link, and a capture must be self-contained")
    stored = file[entry.name]
    if not isinstance(stored, h5py.Dataset) or stored.dtype != entry.dtype:
        raise FileError(f"damaged capture: /{entry.name} does not have the type in the schema")
    if stored.is_virtual or stored.external:
        raise FileError(f"refused: /{entry.name} has its data in another file, and a capture must be self-contained")
    if stored.ndim != 1 + len(entry.tail) or stored.shape[1:] != entry.tail or stored.chunks is None:
        raise FileError(f"damaged capture: /{entry.name} does not have the shape in the schema")
    if not entry.is_long and stored.shape[0] > LARGEST_TABLE_ROWS:
        raise FileError(f"refused: /{entry.name} has {stored.shape[0]} rows, more than any drive has")
    _validate_storage(stored)
    return stored


def _validate_storage(stored: h5py.Dataset) -> None:
    """Check the stored bytes against the declared sizes, so that reading a block takes no more memory than a block."""
    creation = stored.id.get_create_plist()
    if not {creation.get_filter(k)[0] for k in range(creation.get_nfilters())} <= FILTERS:
        raise FileError(f"refused: {stored.name} uses a filter other than deflate, shuffle and checksum")
    chunk_bytes = int(np.prod(stored.chunks, dtype=float)) * stored.dtype.itemsize
    possible = stored.id.get_storage_size() * BEST_DEFLATE_RATIO + chunk_bytes
    declared = int(np.prod(stored.shape, dtype=object)) * stored.dtype.itemsize
    longest_stored, is_complete = 0, True

    def look(chunk: h5py.h5d.StoreInfo) -> None:
        nonlocal longest_stored, is_complete
        longest_stored = max(longest_stored, chunk.size)
        is_complete &= not chunk.filter_mask or chunk.size >= chunk_bytes  # a skipped filter leaves the full size

    stored.id.chunk_iter(look)
    if longest_stored > chunk_bytes * WORST_DEFLATE_RATIO + 1000:
        raise FileError(f"refused: {stored.name} has a chunk that would inflate to more than it declares")
    if chunk_bytes > LARGEST_CHUNK_BYTES or declared > possible:
        raise FileError(f"refused: {stored.name} declares more data than the file can hold")
    chunks = math.prod(-(-rows // in_chunk) for rows, in_chunk in zip(stored.shape, stored.chunks, strict=True))
    if stored.id.get_num_chunks() != chunks or not is_complete:
        raise FileError(f"damaged capture: {stored.name} is incomplete; {AGAIN}")
