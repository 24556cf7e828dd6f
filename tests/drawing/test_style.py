"""What every picture shares: readable ticks, colours with contrast, and its form in a page."""

import re
import xml.etree.ElementTree as ElementTree

import pytest
from towertap.drawing import style
from towertap.drawing.palette import PALETTE, css

TEXTS = ("ink", "quiet", "before", "after", "harsher", "gentler", "equivalent", "undecided")


@pytest.mark.parametrize(("low", "high"), [(80.0, 130.0), (0.171, 0.22), (15.0, 28.0), (0.003, 700.0), (0.97, 1.02)])
def test_a_logarithmic_axis_has_readable_ticks_whatever_its_span(low, high, styled):
    axes = style.new_figure(3).subplots()
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    style.log_ticks(axes, "y")
    ticks = [tick for tick in axes.get_yticks() if low <= tick <= high]
    assert 3 <= len(ticks) <= 12
    shown = [axes.yaxis.get_major_formatter()(tick) for tick in ticks]
    assert [float(text) for text in shown] == pytest.approx(ticks)
    assert max(len(text) for text in shown) <= 5


@pytest.mark.parametrize(("low", "high"), [(0.83, 1.2), (0.5, 2.0), (0.1, 10.0), (0.9, 5.0)])
def test_an_axis_of_changes_is_in_percent(low, high, styled):
    axes = style.new_figure(3).subplots()
    style.change_ticks(axes, "y", (low, high))
    ticks = list(axes.get_yticks())
    shown = [axes.yaxis.get_major_formatter()(tick) for tick in ticks]
    assert 3 <= len(ticks) <= 9
    assert "0 %" in shown
    assert [1 + float(text.removesuffix(" %").replace("−", "-")) / 100 for text in shown] == pytest.approx(ticks)


def test_a_long_title_is_wrapped_to_fit(styled):
    title = "outside the margin since then by the passes of the day " * 4
    figure = style.new_figure(3, width_in=8.6, title=title)
    figure.canvas.draw()
    drawn = next(text for text in figure.texts if text.get_text() == figure.get_suptitle())
    assert drawn.get_window_extent().x1 <= figure.bbox.x1


def luminance(colour):
    """Relative luminance of WCAG 2.2."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("screen", [0, 1], ids=["on paper", "on a dark screen"])
@pytest.mark.parametrize("ground", ["paper", "wash"])
@pytest.mark.parametrize("name", TEXTS)
def test_text_contrasts_with_its_ground(name, ground, screen):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1 or more; its contrast ratio."""
    light, dark = sorted((luminance(PALETTE[which][screen]) for which in (name, ground)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_a_page_has_both_palettes_and_the_dark_one_only_on_screens():
    light, dark = css().split("@media screen and (prefers-color-scheme:dark)")
    for name, (on_paper, on_dark) in PALETTE.items():
        assert f"--{name}:{on_paper};" in light
        assert f"--{name}:{on_dark};" in dark


def test_a_picture_in_a_page_keeps_its_text_and_has_unique_ids_and_the_pages_colours(styled):
    figure = style.new_figure(2)
    axes = figure.subplots()
    axes.plot([1, 2], [1.23456, 3], color=style.SIDES["before"].colour)
    axes.set_title("a < b & 1.23456")
    source = style.svg(figure, "here", 'says "so"')
    root = ElementTree.fromstring(source.replace("xlink:href", "href"))
    assert root.attrib["aria-label"] == 'says "so"'
    assert "a < b & 1.23456" in {element.text for element in root.iter() if element.tag.endswith("text")}
    identities = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
    assert all(identity.startswith("here-") for identity in identities)
    assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', source)) <= set(identities)
    assert "var(--before)" in source
    assert style.SIDES["before"].colour not in source
    assert "<style" not in source
