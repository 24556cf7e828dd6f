"""What a section of a comparison is: evidence beside the findings, from the open capture to words and pictures."""

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

    `headline` says it in one sentence, `tables` take it apart, `paragraphs` say what no table can; where there is
    nothing but the headline there is nothing to see. `data` are dataclasses for JSON, `drawn` what the pictures need
    besides (None: there are none).
    """

    headline: str
    tables: tuple[Table, ...] = ()
    paragraphs: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    data: Any = None
    drawn: Any = None


class Section(ABC):
    """One kind of evidence; stateless. `note` says how to read it, whatever it found."""

    name: ClassVar[str]
    """Its key among the evidence in JSON, and its place on the page."""
    title: ClassVar[str]
    note: ClassVar[str] = ""

    def measure(self, reading: Reading) -> Any:
        """What it takes from each capture while that is open, small; `Pass.measured[name]` holds it.

        The type that is returned is declared whole, since the result is kept and read again by it (see `kept`).
        """
        return None

    @abstractmethod
    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """Hold before against after, beside the findings over all roads and on each; None where nothing is to say."""

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """Draw what it found, where `evidence` has what is drawn; matplotlib is loaded only here."""
        return ()
