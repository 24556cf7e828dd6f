"""The table of speeds in the answer of `towertap compare`."""

from __future__ import annotations

from rich.box import SIMPLE
from rich.table import Table
from rich.text import Text

from towertap.capture.speed_log import Offset
from towertap.compare.model import Comparison
from towertap.compare.speed import RoadSpeed, SpeedEffect


def speed_table(comparison: Comparison) -> list[Table]:
    """One row a finding: the road's speeds, what speed does to the metric, and the ratio over places driven alike."""
    if not comparison.speed:
        return []
    title = "Speed: what it does to a metric, and the finding over places that both sides drove alike"
    table = Table(title=title, title_justify="left", box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    for name in (
        "road\nsource",
        "speed before\nspeed after",
        "metric",
        "exponent\n95 % interval",
        "may make",
        "driven alike\nratio",
    ):
        table.add_column(name)
    for road in comparison.speed:
        for i, one in enumerate(road.effects):
            table.add_row(
                Text(f"{road.road}\n{source(road)}" if not i else ""),
                f"{_speed(road, road.contrast.before)}\n{_speed(road, road.contrast.after)}" if not i else "",
                Text(one.metric),
                exponent(one),
                f"× {one.explains:.3f}",
                matched(one),
                end_section=i == len(road.effects) - 1,
            )
    return [table]


def source(road: RoadSpeed) -> str:
    """Where the speeds of a road come from, with the offset of each log's clock."""
    if road.source == "alignment":
        return "by alignment"
    logs = dict.fromkeys((one.log, one.offset) for one in road.passes)
    return "\n".join(f"{name}: clock {_ahead(offset)}" for name, offset in logs)


def _ahead(offset: Offset | None) -> str:
    if offset is None:
        return "unknown"
    about = f" ± {offset.uncertainty_s:.2f}" if offset.uncertainty_s is not None else ""
    return f"{offset.seconds:+.2f}{about} s, {offset.source}"


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
