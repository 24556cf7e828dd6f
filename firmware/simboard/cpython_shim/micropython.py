"""MicroPython's own names under CPython, so that the simulated board's files run there unchanged, but more slowly."""

import builtins
import gc


def const(value):
    """Return the value."""
    return value


def viper(function):
    """Return the function: Python integers behave like native ones as long as nothing exceeds 64 bits."""
    return function


native = viper


def heap_lock():
    """Do nothing: CPython has no heap lock."""


def heap_unlock():
    """Do nothing: CPython has no heap lock."""


class _Pointer:
    """An unsigned view on a buffer that keeps the low bits of what is stored."""

    def __init__(self, buffer, code):
        self.items = memoryview(buffer).cast("B").cast(code)
        self.mask = (1 << 8 * self.items.itemsize) - 1

    def __getitem__(self, index):
        return self.items[index]

    def __setitem__(self, index, value):
        self.items[index] = value & self.mask


def ptr8(buffer):
    """A pointer to bytes."""
    return _Pointer(buffer, "B")


def ptr16(buffer):
    """A pointer to unsigned 16-bit words."""
    return _Pointer(buffer, "H")


def ptr32(buffer):
    """A pointer to unsigned 32-bit words."""
    return _Pointer(buffer, "I")


for _name in (ptr8, ptr16, ptr32):
    setattr(builtins, _name.__name__, _name)
builtins.uint = int
gc.mem_free = lambda: 0  # CPython's heap has no limit
