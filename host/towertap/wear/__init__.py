"""Wear: one part over months on the same roads, and when its change leaves the margin."""

from towertap.wear.course import follow

__all__ = ["follow"]
