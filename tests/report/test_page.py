"""The page: parses, stands by itself, says every finding, and lets no name of a user become markup."""

import hashlib
import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from html.parser import HTMLParser

import pytest
from towertap.compare.comparison import compare
from towertap.compare.drives.folder import DRIFT
from towertap.report.page import Picture, conditions, order, render
from towertap.report.report import write_report

VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """Collects text and attributes, and holds that every tag that opens also closes."""

    def __init__(self, source):
        super().__init__()
        self.text, self.tags, self.open = "", [], []
        self.feed(source)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def folder(tmp_path_factory, drives, comparison):
    path = write_report(comparison, drives, tmp_path_factory.mktemp("out") / "report", ["Its data is <i>invented</i>."])
    assert path.name == "report.html"
    return path.parent


@pytest.fixture(scope="module")
def page(folder):
    return Page((folder / "report.html").read_text("utf-8"))


def squeezed(text):
    return " ".join(text.split())


def test_every_tag_closes(page):
    assert page.open == []
    assert page.tags[0][0] == "html"


def test_it_loads_nothing_from_elsewhere(page, folder):
    sources = [attrs[name] for _, attrs in page.tags for name in ("src", "href", "srcset", "data") if name in attrs]
    assert len(sources) >= 5
    assert all(source.startswith(("data:image/png;base64,", "#")) for source in sources)
    assert not {"script", "link", "iframe", "object"} & {tag for tag, _ in page.tags}
    style = re.search(r"<style>(.*?)</style>", (folder / "report.html").read_text("utf-8"), re.DOTALL).group(1)
    assert "url(" not in style
    assert "@import" not in style


def test_it_says_every_finding(page, comparison):
    text = squeezed(page.text)
    assert comparison.summary in text
    for finding in comparison:
        assert squeezed(finding.words) in text
        for caution in finding.cautions:
            assert squeezed(caution) in text


def test_order_of_what_it_says(page):
    identities = [attrs["id"] for tag, attrs in page.tags if tag == "section"]
    order = ["findings", "boxes", "traces", "spectra", "kept", "window-t-test", "integrity", "conditions", "method"]
    assert [one for one in identities if one in order] == order
    assert identities[-3:] == ["limits", "cautions", "provenance"]
    assert [attrs["href"] for tag, attrs in page.tags if tag == "a"][: len(identities)] == [
        f"#{one}" for one in identities
    ]


def test_the_intervals_are_the_first_thing_after_the_summary(folder):
    source = (folder / "report.html").read_text("utf-8")
    assert source.index('class="lead"') < source.index("<img") < source.index("<article")


def test_the_conditions_say_when_each_pass_was_driven_and_the_order(drives, comparison):
    """ISO 8601: two hours ahead of UTC."""
    day = datetime(2026, 5, 4, 14, 30, tzinfo=timezone(timedelta(hours=2)))
    sides = {"before": day, "after": day + timedelta(hours=1)}
    timed = replace(drives, passes=tuple(replace(one, started=sides[one.side]) for one in drives.passes))
    table = conditions(timed.passes)
    assert table["columns"][0] == "driven, UTC"
    place = 0
    assert {row[place] for _, row in table["rows"]} == {"2026-05-04 12:30:00", "2026-05-04 13:30:00"}
    turned = conditions(timed.passes[::-1])["rows"]
    assert [row[place] for _, row in turned] == sorted(row[place] for _, row in turned)
    assert order(timed) == "Driven in two halves: all passes with rubber, then all with polyurethane."
    assert "so the order is not known" in order(drives)
    mixed = replace(timed, passes=tuple(replace(one, started=day) for one in timed.passes))
    assert order(mixed).startswith("Driven in turns")
    picture = Picture("", "")
    pictures = {"intervals": picture, "boxes": picture, "alignment": picture, "spectra": picture, "traces": []}
    pictures |= {"thirds": picture, "spectrograms": [], "knocks": [], "speed": None}
    assert DRIFT[1:] in render(comparison, timed, pictures, [])
    assert DRIFT[1:] not in render(comparison, drives, pictures, [])


def bench_rows(source):
    return source.split("What the bench knows of the box")[1].split("</table>")[0].split("<tr>")[2:]


def test_it_says_what_the_bench_knows_of_the_box(folder, comparison, drives):
    """Without records the data sheet's ±0.5 % (DS-000347 table 2); with them their dates and values."""
    (row,) = bench_rows((folder / "report.html").read_text("utf-8"))
    assert "<td>all</td>" in row
    assert (row.count("data sheet"), row.count("±0.50 %"), row.count("no record")) == (2, 1, 2)
    names = list(comparison.bench)
    told = comparison.bench[names[0]]
    known = replace(
        told,
        measured_utc=dict.fromkeys(told.measured_utc, "2026-03-14T10:00:00+00:00"),
        scale_uncertainty=(1e-3, 1e-3, 2.5e-4),
        usable_hz=113.3,
        selftest_ok=False,
    )
    picture = Picture("", "")
    pictures = {"intervals": picture, "boxes": picture, "alignment": picture, "spectra": picture, "traces": []}
    pictures |= {"thirds": picture, "spectrograms": [], "knocks": [], "speed": None}
    mixed = replace(comparison, bench=comparison.bench | dict.fromkeys(names[:2], known))
    with_records, without = bench_rows(render(mixed, drives, pictures, []))
    assert f"<td>{names[0]}, {names[1]}</td>" in with_records
    assert all(name in without for name in names[2:])
    assert with_records.count("<td>2026-03-14</td>") == 2
    for words in ("±0.025 %", "113 Hz, 2026-03-14", "failed, 2026-03-14"):
        assert words in with_records


def test_the_knocks_table_gives_rates_a_minute_and_a_kilometre(folder, comparison):
    """None in so many minutes at 40 km/h: at most −ln 0.05 = 2.9957 over the minutes, and over the kilometres."""
    table = (folder / "report.html").read_text("utf-8").split('<section id="knocks">')[1].split("</table>")[0]
    heads, *rows = [[cell.split(">")[-1] for cell in row.split("</t")[:-2]] for row in table.split("<tr>")[1:]]
    poisson = "95 % interval, Poisson"
    assert heads[4:9] == ["a minute", poisson, "a km", poisson, "held against each other"]
    for row, side in zip(rows, [side for one in comparison.knocks for side in (one.before, one.after)], strict=True):
        assert row[4] == row[6] == "0.00"
        for cell, exposure in ((row[5], side.minutes), (row[7], side.minutes * 40 / 60)):
            low, high = map(float, cell.split(" to "))
            assert (low, high) == (0, pytest.approx(2.9957 / exposure, rel=5e-3))


def test_names_of_users_stay_text(page, drives):
    vehicle = drives.passes[0].conditions.vehicle
    assert "<script>" in vehicle
    assert squeezed(vehicle) in squeezed(page.text)
    assert "Its data is <i>invented</i>." in page.text
    assert "onload" not in "".join(key for _, attrs in page.tags for key in attrs)


def test_half_a_character_as_file_names_can_hold_does_not_stop_the_page(drives, comparison, tmp_path):
    path = write_report(comparison, drives, tmp_path, ["odd-\udcff"])  # what os.fsdecode makes of the byte FF
    assert "odd-?" in path.read_text("utf-8")


def test_the_captures_fingerprints_are_there(page, drives):
    for one in drives.passes:
        assert one.name in page.text
        assert hashlib.sha256(one.path.read_bytes()).hexdigest() in page.text
        assert hashlib.sha256(one.path.with_suffix(".ttraw").read_bytes()).hexdigest() in page.text


def test_every_picture_lies_beside_the_page_and_says_what_it_shows(page, folder):
    pictures = [attrs for tag, attrs in page.tags if tag == "img"]
    assert sorted(path.name for path in folder.glob("*.png")) == [
        "alignment.png",
        "boxes.png",
        "intervals.png",
        "spectra.png",
        "spectrogram_1.png",
        "thirds.png",
        "traces_1.png",
    ]
    assert len(pictures) == 7
    assert all(len(attrs["alt"]) > 20 for attrs in pictures)


def test_one_pass_a_side_makes_a_report_that_says_undecided(drives, tmp_path):
    few = replace(drives, passes=tuple(one for one in drives.passes if one.conditions.pass_number == 1))
    comparison = compare(few)
    text = squeezed(Page(write_report(comparison, few, tmp_path).read_text("utf-8")).text)
    assert {finding.verdict for finding in comparison} == {"undecided"}
    assert all(squeezed(finding.words) in text for finding in comparison)
    assert "too few passes to say" in text


def test_it_speaks_of_limits_not_of_comfort_limits(page):
    text = squeezed(page.text)
    assert "A hard point of the body is not a seat." in text
    assert "no limit for people may be read from them" in text
    assert "A p-value above 0.05 never means “the same”." in text
