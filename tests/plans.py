"""Plans of drives, made by one builder for all tests."""

from towertap.compare.plan.choice import drive_order
from towertap.compare.plan.plan import HeldConditions, Plan, PlannedRoad
from towertap.compare.stats.planning import PlannedDesign

PARTS = ("rubber", "polyurethane")
ROADS = {"quarry-lane": 40.0, "bypass": 40.0}
"""Speed on each road in km/h; bypass is the smooth one."""


def order(parts=PARTS, roads=tuple(ROADS), passes=4, design="AB|BA", seed=1):
    """The drives over the roads in their order, so many passes with each part."""
    return drive_order(*parts, roads, passes, PlannedDesign(design), seed)


def plan(roads=ROADS, parts=PARTS, passes=4, design="AB|BA", seed=1, **changes):
    """A plan for the minibus; `changes` are its other entries."""
    fields = {
        "question": "?",
        "vehicle": "minibus",
        "before": parts[0],
        "after": parts[1],
        "smooth": "bypass",
        "roads": tuple(PlannedRoad(name, speed_kmh) for name, speed_kmh in roads.items()),
        "metrics": ("jerk_z",),
        "margin": 0.1,
        "power": 0.8,
        "spread": 0.03,
        "spread_from": "said: 3 %",
        "design": design,
        "seed": seed,
        "hold": HeldConditions(),
        "drives": order(parts, tuple(roads), passes, design, seed),
        "written_utc": "2026-05-04T08:00:00+00:00",
    }
    return Plan(**fields | changes)
