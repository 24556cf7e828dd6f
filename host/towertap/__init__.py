"""Evidence for suspension work: record, check and compare what a hard point of a car's body feels.

As a library, `import towertap as tt`: the names in `__all__` are those that stay. They load what they need when they
are first used, so that importing towertap is quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from towertap.version import VERSION

if TYPE_CHECKING:
    from towertap.errors import TowertapError
    from towertap.library import BeforeAfter, OpenCapture, compare, open

__version__ = VERSION
__all__ = ["BeforeAfter", "OpenCapture", "TowertapError", "__version__", "compare", "open"]


def __getattr__(name: str) -> Any:
    """Load a name of the library when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'towertap' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module("towertap.errors" if name == "TowertapError" else "towertap.library"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
