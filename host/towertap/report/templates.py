"""The templates of all pages: HTML is escaped, and filters format numbers."""

from __future__ import annotations

import platform
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from towertap.drawing import palette
from towertap.version import WRITTEN_BY
from towertap.words import numbers
from towertap.words.phrases import sentence_case, unbroken

if TYPE_CHECKING:
    from jinja2 import Template

LIBRARIES = ("numpy", "scipy", "pandas", "h5py", "matplotlib")


def template(name: str) -> Template:
    """A template: a page (.html.j2) or plain text."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # imported late, to keep `plan --help` fast

    environment = Environment(
        loader=PackageLoader("towertap.report", "."),
        autoescape=name.endswith(".html.j2"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    own = f"{WRITTEN_BY}, Python {platform.python_version()}"
    programs = [own, *(f"{library} {version(library)}" for library in LIBRARIES)]
    environment.globals.update(palette=Markup(palette.css()), versions=", ".join(programs))
    environment.filters.update(percent=numbers.percent, sentence_case=sentence_case)
    return environment.get_template(name)


def page_of(name: str, **values: Any) -> str:
    """The template filled with `values`; no line breaks between a number and its unit."""
    return unbroken(template(name).render(values))
