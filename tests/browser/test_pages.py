"""The pages in a real browser: quiet, whole at every width and on paper, legible, and open to everyone."""

from __future__ import annotations

import json
import re

import pytest
from towertap.drawing.palette import PALETTE

PAGES = ("report", "run sheet", "wear")
WIDTHS = (390, 768, 1280)
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
A4_PX = 184 / 25.4 * 96
"""The width of what is printed between the margins of A4, in pixels of CSS."""
SMALLEST_PX = 8.0
"""No text of a picture is smaller, on any screen."""


@pytest.fixture(params=PAGES)
def page(request, pages):
    return pages[request.param]


def test_a_page_is_quiet_and_asks_for_nothing_outside(browser, page):
    browser.driver.get_log("performance")
    browser.show(page, folds="open")
    assert browser.driver.get_log("browser") == []
    messages = [json.loads(entry["message"])["message"] for entry in browser.driver.get_log("performance")]
    asked = [of["params"]["request"]["url"] for of in messages if of["method"] == "Network.requestWillBeSent"]
    assert page.as_uri() in asked
    assert all(url == page.as_uri() or url.startswith("data:") for url in asked)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("folds", ["closed", "open"])
def test_nothing_is_wider_than_the_screen(browser, page, width, folds):
    browser.show(page, width, folds=folds)
    assert browser.run("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", WIDTHS)
def test_every_picture_is_legible_and_says_what_it_shows(browser, page, width):
    browser.show(page, width, folds="open")
    pictures = browser.run(
        """return [...document.querySelectorAll('svg')].map(svg => {
            const scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
            const texts = [...svg.querySelectorAll('text')].filter(text => text.textContent.trim());
            return [svg.getAttribute('aria-label') || '',
                    Math.min(...texts.map(text => scale * parseFloat(getComputedStyle(text).fontSize)))];
        })"""
    )
    for label, smallest_px in pictures:
        assert len(label) > 10
        assert smallest_px >= SMALLEST_PX, label


def paint(browser):
    """The colours of the page's ground and text, as CSS computes them."""
    return browser.run("const of = getComputedStyle(document.body); return [of.backgroundColor, of.color].map(String)")


def in_css(name, screen):
    colour = PALETTE[name][screen]
    return f"rgb({', '.join(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5))})"


def test_a_dark_screen_is_dark_and_paper_never_is(browser, page):
    assert paint(browser.show(page, scheme="dark")) == [in_css("paper", 1), in_css("ink", 1)]
    assert paint(browser.show(page, scheme="light")) == [in_css("paper", 0), in_css("ink", 0)]
    assert paint(browser.show(page, scheme="dark", medium="print")) == [in_css("paper", 0), in_css("ink", 0)]


def test_print_opens_every_fold_and_cuts_nothing(browser, page):
    browser.show(page, round(A4_PX), medium="print")
    assert browser.run("return document.documentElement.scrollWidth") <= A4_PX + 1
    hidden = browser.run(
        """return [...document.querySelectorAll('details > :not(summary)')]
            .filter(inside => inside.textContent.trim())
            .filter(inside => !inside.checkVisibility({contentVisibilityAuto: true})
                              || !inside.getBoundingClientRect().height).length"""
    )
    assert hidden == 0


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints_on_both_papers(browser, page, paper):
    pdf = browser.show(page).printed(*PAPERS[paper])
    pages = max(map(int, re.findall(rb"/Count (\d+)", pdf)))
    assert pages == 2 if page.name == "run_sheet.html" else 2 <= pages <= 16


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(browser, page, axe, scheme):
    """axe-core, the rules of WCAG 2.2 A and AA among them."""
    browser.show(page, scheme=scheme, folds="open")
    browser.run(axe)
    found = browser.driver.execute_async_script("axe.run().then(arguments[arguments.length - 1])")
    serious = [
        (rule["id"], [node["target"] for node in rule["nodes"]][:3])
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
    ]
    assert serious == []
    assert len(found["passes"]) > 10


def words(text):
    return len(text.split())


def test_the_report_is_short_and_its_answer_shorter(browser, pages):
    """With folds closed, the texts of pictures apart."""
    browser.show(pages["report"])
    whole, pictures, verdict = browser.run(
        """const seen = [...document.querySelectorAll('svg')].filter(svg => svg.checkVisibility());
        return [document.body.innerText, seen.map(svg => svg.textContent).join(' '),
                document.querySelector('.answer').innerText]"""
    )
    assert words(verdict) <= 125  # 120 and what the lines of it are called
    assert words(whole) - words(pictures) <= 700
    assert pages["report"].stat().st_size < 1.5e6


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (768, 1024), (390, 844)])
def test_the_answer_is_the_first_screen(browser, pages, width, height):
    browser.show(pages["report"], width)
    assert browser.run("return document.querySelector('.answer').getBoundingClientRect().bottom") <= height


def test_the_short_report_is_a_page_and_a_half(browser, pages):
    """What stands before the evidence, on A4: 269 mm of height a page between the margins of 13."""
    browser.show(pages["report"], round(A4_PX), medium="print")
    bottom_px = browser.run("return document.querySelector('#evidence').getBoundingClientRect().top")
    assert bottom_px <= 1.5 * 269 / 25.4 * 96
