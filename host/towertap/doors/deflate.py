"""Deflate (RFC 1951) and CRC-32 by the fastest libraries that have wheels for this processor, else by zlib.

zlib-ng compresses in two thirds of zlib's time. ISA-L decompresses and checks several times as fast, but its
compression ratio is poor.
"""

from importlib import import_module
from typing import Any


def _library(name: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        return import_module("zlib")


_deflate, _inflate = _library("zlib_ng.zlib_ng"), _library("isal.isal_zlib")
crc32, decompress = _inflate.crc32, _inflate.decompress
InflateError: type[Exception] = _inflate.error
compressobj, RUNS_ONLY, END_BLOCK = _deflate.compressobj, _deflate.Z_RLE, _deflate.Z_BLOCK
