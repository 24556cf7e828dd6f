"""Wear: one part over months on the same roads, and when it leaves the margin."""

from towertap.compare.wear.course import follow

__all__ = ["follow"]
