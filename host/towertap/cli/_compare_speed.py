"""The table of speeds in the answer of `towertap compare`."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text

from towertap.cli._outcome import table
from towertap.compare.answer import Comparison
from towertap.compare.speed import RoadSpeed, SpeedEffect


def speed_table(comparison: Comparison) -> list[Table]:
    """One row a finding: the road's speeds, what speed does to the metric, and the ratio over places driven alike."""
    if not comparison.speed:
        return []
    made = table(
        "Speed: what it does to a metric, and the finding over places that both sides drove alike",
        *("road\nmetric", "before\nafter", "exponent\n95 % interval", "may make", "driven alike\nratio"),
    )
    for road in comparison.speed:
        speeds = f"{_speed(road, road.contrast.before)}\n{_speed(road, road.contrast.after)}"
        for one in road.effects:
            name = Text(f"{road.road}\n{one.metric}")
            made.add_row(name, speeds, exponent(one), f"× {one.explains:.3f}", matched(one), end_section=True)
    return [made]


def exponent(one: SpeedEffect) -> str:
    """The exponent as seen, or what stands in for it."""
    if one.exponent is None:
        return f"not seen\n{one.interval[0]:g} to {one.interval[1]:g} taken"
    if not one.seen:
        return f"{one.exponent:.1f}, too uncertain\n{one.interval[0]:g} to {one.interval[1]:g} taken"
    return f"{one.exponent:.1f}\n{one.interval[0]:.1f} to {one.interval[1]:.1f}"


def matched(one: SpeedEffect) -> str:
    """The finding over places driven alike."""
    if not one.places:
        return "whole passes"
    told = f"{one.alike} of {one.places}"
    if one.matched is None:
        return f"{told}: too few"
    low_high = (
        "\n{:.3f} ({:.3f}–{:.3f})".format(one.matched.ratio, *one.matched.interval) if one.matched.interval else ""
    )
    return f"{told}{low_high}"


def _speed(road: RoadSpeed, value: float) -> str:
    return f"{value:.1f} km/h" if road.source == "log" else f"× {value:.3f}"
