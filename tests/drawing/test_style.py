"""What every figure shares: ticks that can be read, titles that fit."""

import pytest
from towertap.drawing import style


@pytest.mark.parametrize(("low", "high"), [(80.0, 130.0), (0.171, 0.22), (15.0, 28.0), (0.003, 700.0), (0.97, 1.02)])
def test_a_logarithmic_axis_has_readable_ticks_whatever_its_span(low, high, styled):
    axes = style.new_figure(4, 3, "").subplots()
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    style.log_ticks(axes, "y")
    ticks = [tick for tick in axes.get_yticks() if low <= tick <= high]
    assert 3 <= len(ticks) <= 12
    shown = [axes.yaxis.get_major_formatter()(tick) for tick in ticks]
    assert [float(text) for text in shown] == pytest.approx(ticks)
    assert max(len(text) for text in shown) <= 5


def test_a_long_title_is_broken_into_lines_that_fit(styled):
    figure = style.new_figure(8.6, 3, "outside the margin since then by the passes of the day " * 4)
    figure.canvas.draw()
    title = next(text for text in figure.texts if text.get_text() == figure.get_suptitle())
    assert title.get_window_extent().x1 <= figure.bbox.x1
