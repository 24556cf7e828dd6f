"""Inflating and CRC-32 by ISA-L, several times as fast as zlib's; by zlib on processors that it has no wheel for."""

from importlib import import_module

try:
    _library = import_module("isal.isal_zlib")
except ImportError:
    _library = import_module("zlib")
crc32 = _library.crc32
decompress = _library.decompress
InflateError: type[Exception] = _library.error
