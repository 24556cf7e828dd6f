"""What a capture holds: one table of datasets and attributes, to which every file is held on writing and on reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np

from towertap.errors import FileError

NAME = "towertap capture"
MAJOR, MINOR = 1, 0
LARGEST_CHUNK_BYTES = 16 * 2**20
LARGEST_TEXT_BYTES = 2**24
LARGEST_TABLE_ROWS = 1_000_000
BEST_DEFLATE_RATIO = 1032
"""Deflate cannot shrink data further (RFC 1951: 258 bytes in two bits): more is a declared shape with nothing in it."""
WORST_DEFLATE_RATIO = 1.01
"""Deflate lengthens data by less than this, a few bytes apart: a longer chunk would unfold to more than it declares."""
FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}
"""Those that every HDF5 has; any other would have a plug-in loaded."""


@dataclass(frozen=True)
class Dataset:
    """A dataset that every capture has, growing along its first axis."""

    name: str
    dtype: np.dtype
    columns: int
    """Length of the second axis; 0 when there is none."""
    chunk_rows: int
    is_long: bool
    """Grows with the recording's samples; the others are small tables that are read as a whole."""
    what: str


@dataclass(frozen=True)
class Attribute:
    """An attribute of the file itself."""

    name: str
    kind: str
    """`text` (UTF-8 bytes of fixed length, which plain h5py gives as bytes), `int`, `float`, or `floats` (a pair)."""
    what: str


FRAME = np.dtype(
    [
        ("sequence", "<u4"),
        ("first_sample", "<i8"),
        ("row", "<i8"),
        ("count", "<u2"),
        ("clock_us", "<i8"),
        ("fifo_level", "<u2"),
        ("temperature_raw", "<i2"),
        ("flags", "u1"),
        ("raw_offset", "<i8"),
    ]
)
GAP = np.dtype([("row", "<i8"), ("missing", "<i8"), ("reason", "S20"), ("time_us", "<i8")])
MARK = np.dtype([("row", "<i8"), ("time_us", "<i8"), ("text", "S200")])
FAULT = np.dtype([("row", "<i8"), ("time_us", "<i8"), ("fault", "S64"), ("detail", "S256")])
DAMAGE = np.dtype([("raw_offset", "<i8"), ("bytes", "<i8")])

DATASETS = (
    Dataset("acceleration", np.dtype("<i2"), 3, 4096, True, "counts of the chip, x y z in chip axes"),
    Dataset("rotation", np.dtype("<i2"), 3, 4096, True, "counts of the chip, x y z in chip axes"),
    Dataset("frames", FRAME, 0, 4096, True, "one row a sample frame; row is that of its first sample above"),
    Dataset(
        "gaps", GAP, 0, 256, False, "before `row`, `missing` samples are not here (-1: not known how many); box clock"
    ),
    Dataset("marks", MARK, 0, 256, False, "marks set while recording: the next sample's row, box clock, UTF-8 text"),
    Dataset(
        "faults", FAULT, 0, 256, False, "faults that the box reported: the next sample's row, box clock, UTF-8 text"
    ),
    Dataset("damage", DAMAGE, 0, 256, False, "stretches of the raw bytes that could not be decoded"),
)

ATTRIBUTES = (
    Attribute("schema", "text", "always 'towertap capture'"),
    Attribute("schema_version", "text", "MAJOR.MINOR; a reader refuses a newer MAJOR"),
    Attribute("written_by", "text", "program and version"),
    Attribute("chip", "text", "sensor"),
    Attribute("layout", "int", "layout id of the wire format"),
    Attribute("odr_hz", "float", "nominal rate, Hz"),
    Attribute("rate_hz", "float", "true rate against the box clock, Hz"),
    Attribute("rate_interval_hz", "floats", "95 % interval of rate_hz; NaN when the frames do not carry one"),
    Attribute("acceleration_scale_ms2", "float", "m/s² a count"),
    Attribute("rotation_scale_rads", "float", "rad/s a count"),
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

_SHAPES = {"text": (), "int": (), "float": (), "floats": (2,)}
_KINDS = {"text": "S", "int": "iu", "float": "f", "floats": "f"}


def create(file: h5py.File) -> None:
    """Make every dataset of the table, empty, in a new file."""
    for entry in DATASETS:
        tail = (entry.columns,) if entry.columns else ()
        made = file.create_dataset(
            entry.name,
            shape=(0, *tail),
            maxshape=(None, *tail),
            dtype=entry.dtype,
            chunks=(entry.chunk_rows, *tail),
            compression="gzip",
            compression_opts=1,
            shuffle=True,
        )
        set_attributes(made, {"what": entry.what})


def set_attributes(held: h5py.File | h5py.Dataset, values: Mapping[str, Any]) -> None:
    """Set attributes, texts with a fixed length: the heap of the others can make HDF5 read a damaged file for ever."""
    for name, value in values.items():
        text = value.encode() if isinstance(value, str) else None
        kind = None if text is None else h5py.string_dtype("utf-8", max(1, len(text)))
        held.attrs.create(name, value if text is None else text, dtype=kind)


def text_attribute(file: h5py.File, name: str) -> str:
    """A text attribute of the file."""
    return bytes(file.attrs[name]).decode("utf-8", "replace")


def validate(file: h5py.File) -> None:
    """Hold an open file to the table; FileError names the first thing that is wrong.

    Nothing is read that the file could have made large: shapes, types and links are looked at, not contents.
    """
    _validate_version(file)
    for entry in ATTRIBUTES:
        _validate_attribute(file, entry)
    for dataset in DATASETS:
        _validate_dataset(file, dataset)
    if file["acceleration"].shape[0] != file["rotation"].shape[0]:
        raise FileError("damaged capture: /acceleration and /rotation differ in length")


def _validate_version(file: h5py.File) -> None:
    for entry in ATTRIBUTES[:2]:
        _validate_attribute(file, entry)
    if text_attribute(file, "schema") != NAME:
        raise FileError("an HDF5 file, but not a towertap capture; make one with 'towertap decode RAW'")
    version = text_attribute(file, "schema_version")
    major = version.split(".")[0]
    if not (major.isascii() and major.isdigit() and len(major) < 6):
        raise FileError(f"damaged capture: schema version {version[:20]!r} is not MAJOR.MINOR")
    if int(major) > MAJOR:
        raise FileError(
            f"a capture of schema {version[:20]}, and this towertap reads {MAJOR}.x: install a newer towertap"
        )


def _validate_attribute(file: h5py.File, entry: Attribute) -> None:
    if entry.name not in file.attrs:
        if entry.name == "schema":
            raise FileError("an HDF5 file, but not a towertap capture; make one with 'towertap decode RAW'")
        raise FileError(f"damaged capture: attribute '{entry.name}' is missing; decode the raw recording again")
    held = file.attrs.get_id(entry.name)
    fits = held.shape == _SHAPES[entry.kind] and held.dtype.kind in _KINDS[entry.kind]
    if not fits or held.dtype.itemsize > LARGEST_TEXT_BYTES:
        raise FileError(
            f"damaged capture: attribute '{entry.name}' is not {entry.kind}; decode the raw recording again"
        )


def _validate_dataset(file: h5py.File, entry: Dataset) -> None:
    link = file.get(entry.name, getlink=True)
    if link is None:
        raise FileError(f"damaged capture: /{entry.name} is missing; decode the raw recording again")
    if not isinstance(link, h5py.HardLink):
        raise FileError(f"refused: /{entry.name} is a link to elsewhere, and a capture stands for itself")
    held = file[entry.name]
    if not isinstance(held, h5py.Dataset) or held.dtype != entry.dtype:
        raise FileError(f"damaged capture: /{entry.name} is not of the type that the schema says")
    if held.is_virtual or held.external:
        raise FileError(f"refused: /{entry.name} has its data in another file, and a capture stands for itself")
    tail = (entry.columns,) if entry.columns else ()
    if held.ndim != 1 + len(tail) or held.shape[1:] != tail or held.chunks is None:
        raise FileError(f"damaged capture: /{entry.name} is not of the shape that the schema says")
    if not entry.is_long and held.shape[0] > LARGEST_TABLE_ROWS:
        raise FileError(f"refused: /{entry.name} has {held.shape[0]} rows, more than any drive makes")
    _validate_storage(held)


def _validate_storage(held: h5py.Dataset) -> None:
    """Hold the stored bytes to what they declare, so that reading a block takes the memory of a block."""
    creation = held.id.get_create_plist()
    if not {creation.get_filter(k)[0] for k in range(creation.get_nfilters())} <= FILTERS:
        raise FileError(f"refused: {held.name} is packed by another filter than deflate, shuffle and checksum")
    chunk_bytes = int(np.prod(held.chunks, dtype=float)) * held.dtype.itemsize
    possible = held.id.get_storage_size() * BEST_DEFLATE_RATIO + chunk_bytes
    declared = int(np.prod(held.shape, dtype=object)) * held.dtype.itemsize
    longest_stored = 0

    def look(chunk: h5py.h5d.StoreInfo) -> None:
        nonlocal longest_stored
        longest_stored = max(longest_stored, chunk.size)

    held.id.chunk_iter(look)
    if longest_stored > chunk_bytes * WORST_DEFLATE_RATIO + 1000:
        raise FileError(f"refused: {held.name} has a chunk that would unfold to more than it declares")
    if chunk_bytes > LARGEST_CHUNK_BYTES or declared > possible:
        raise FileError(f"refused: {held.name} declares more data than the file can hold")
