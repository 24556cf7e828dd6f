"""Deflate (RFC 1951) and CRC-32 by the fastest libraries that a processor has wheels for, else by zlib.

zlib-ng packs in two thirds of zlib's time; ISA-L, which packs badly, unpacks and checks several times as fast.
"""

from importlib import import_module
from typing import Any


def _library(name: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        return import_module("zlib")


_packing, _unpacking = _library("zlib_ng.zlib_ng"), _library("isal.isal_zlib")
crc32, decompress = _unpacking.crc32, _unpacking.decompress
InflateError: type[Exception] = _unpacking.error
compressobj, RUNS_ONLY, END_BLOCK = _packing.compressobj, _packing.Z_RLE, _packing.Z_BLOCK
