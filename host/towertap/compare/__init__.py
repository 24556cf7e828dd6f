"""Before against after: passes, gate, statistics, verdicts; the pass is the unit of every inference."""

from towertap.compare.comparison import compare

__all__ = ["compare"]
