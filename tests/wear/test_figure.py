"""The picture of a part over months."""

from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from towertap.wear import figure as wear

pytestmark = pytest.mark.usefixtures("styled")

DAYS = (("2026-05-09", 0.0, 1.0), ("2026-10-06", 4.9, 1.33))


def course(road, level):
    """Two days of three passes each; the second is a third higher and outside the margin."""
    days = [SimpleNamespace(session=name, months=at, level=level * by) for name, at, by in DAYS]
    return SimpleNamespace(
        road=road,
        label="weighted vertical acceleration",
        unit="m/s²",
        basis="rough places",
        margin=0.1,
        points=[
            SimpleNamespace(session=day.session, months=day.months, value=day.level * by)
            for day in days
            for by in (0.99, 1.0, 1.01)
        ],
        means=days,
        changes=[SimpleNamespace(session="2026-10-06", together=(1.2, 1.5))],
        trend=None,
        drowned=False,
        line=None,
        left=None,
        outside_since="2026-10-06",
    )


def test_no_pass_is_hidden_by_its_day_and_nothing_is_cut_off():
    followed = SimpleNamespace(history=SimpleNamespace(first_fit=datetime(2026, 5, 9, 6, tzinfo=UTC)))
    for panel in wear.panels(followed, course("moor-road", 0.6), course("bypass", 0.2)):
        panel.canvas.draw()
        (axes,) = panel.axes
        days, passes = (
            np.array([line.get_transform().transform(line.get_xydata())[0] for line in axes.lines if is_a(line)])
            for is_a in (lambda line: line.get_marker() == "D", lambda line: line.get_marker() == "o")
        )
        assert (days.shape, passes.shape) == ((2, 2), (6, 2))
        assert np.hypot(*(passes[:, None] - days).transpose(2, 0, 1)).min() > 6 * panel.dpi / 72
        assert passes[:, 0].max() < axes.bbox.x1
        assert axes.get_ylabel() == "weighted vertical\nacceleration, m/s²"
        assert axes.yaxis.label.get_window_extent().height <= axes.bbox.height
