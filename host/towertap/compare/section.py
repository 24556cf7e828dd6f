"""A section of a comparison: evidence beside the findings, from the open capture to words and pictures."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from towertap.compare.caution import Caution
from towertap.compare.drives.model import Reading
from towertap.words.table import Table

if TYPE_CHECKING:
    from towertap.compare.findings.model import Finding
    from towertap.compare.study import Study
    from towertap.drawing.picture import Picture


@dataclass(frozen=True, eq=False)
class Evidence:
    """What a section found.

    `headline` says it in one sentence, `tables` give the details, `paragraphs` say what no table can. A headline alone
    means nothing to show. `data` holds dataclasses for JSON, `drawn` what the pictures also need (None: no pictures).
    """

    headline: str
    tables: tuple[Table, ...] = ()
    paragraphs: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    data: Any = None
    drawn: Any = None


class Section(ABC):
    """One kind of evidence; stateless. `note` says how to read it, whatever the result."""

    name: ClassVar[str]
    """Its key in the JSON evidence, and its place on the page."""
    title: ClassVar[str]
    note: ClassVar[str] = ""

    def measure(self, reading: Reading) -> Any:
        """What the section takes from each open capture, small; stored in `Pass.measured[name]`.

        Declare the return type in full: the kept result is read back by that type (see `kept`).
        """
        return None

    @abstractmethod
    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Compare before with after, given the findings over all roads and on each; None with nothing to say."""

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """Draw the evidence that has something to draw; matplotlib is loaded only here."""
        return ()
