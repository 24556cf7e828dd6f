"""The page: parses, stands by itself, says every finding, and lets no name of a user become markup."""

import hashlib
import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from html.parser import HTMLParser

import pytest
from towertap.compare.comparison import compare
from towertap.compare.drives.differences import DRIFT
from towertap.compare.sections import SECTIONS
from towertap.compare.sections.captures import CapturesSection, conditions, order
from towertap.report.page import Embedded, render
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
def folder(tmp_path_factory, compared):
    path = write_report(compared, tmp_path_factory.mktemp("out") / "report", ["Its data is <i>invented</i>."])
    assert path.name == "report.html"
    return path.parent


@pytest.fixture(scope="module")
def page(folder):
    return Page((folder / "report.html").read_text("utf-8"))


def without_pictures(comparison):
    """The page of a comparison, its pictures left out."""
    return render(comparison, Embedded("", "", ""), {name: [] for name in comparison.evidence}, [])


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


def test_it_says_every_finding_and_all_evidence(page, compared):
    text = squeezed(page.text)
    assert compared.summary in text
    for finding in compared:
        assert squeezed(finding.words) in text
        for caution in finding.cautions:
            assert squeezed(caution) in text
    for evidence in compared.evidence.values():
        for words in (evidence.headline, *evidence.paragraphs, *evidence.warnings):
            assert squeezed(words) in text
        for table in evidence.tables:
            assert squeezed(table.title) in text
            for cell in (cell for row in table.rows for cell in row):
                assert squeezed(cell) in text


def test_order_of_what_it_says(page, compared):
    """Answer, evidence in the order of the sections, method; and the head links to each."""
    identities = [attrs["id"] for tag, attrs in page.tags if tag == "section"]
    evidence = [section.name for section in SECTIONS if section.name in compared.evidence]
    assert identities == ["findings", "warnings", "plan", *evidence, "method", "limits", "cautions", "versions"]
    assert [attrs["href"] for tag, attrs in page.tags if tag == "a"][: len(identities) - 1] == [
        f"#{identity}" for identity in identities[:-1]
    ]


def test_the_intervals_are_the_first_thing_after_the_summary(folder):
    source = (folder / "report.html").read_text("utf-8")
    assert source.index('class="lead"') < source.index("<img") < source.index("<article")


def test_the_conditions_say_when_each_pass_was_driven_and_the_order(recorded, compared):
    """ISO 8601: two hours ahead of UTC."""
    day = datetime(2026, 5, 4, 14, 30, tzinfo=timezone(timedelta(hours=2)))
    sides = {"before": day, "after": day + timedelta(hours=1)}
    timed = replace(recorded, passes=tuple(replace(drive, started=sides[drive.side]) for drive in recorded.passes))
    _, table = conditions(timed.passes)
    place = table.columns.index("driven, UTC")
    assert {row[place] for row in table.rows} == {"2026-05-04 12:30:00", "2026-05-04 13:30:00"}
    turned = conditions(timed.passes[::-1])[1].rows
    assert [row[place] for row in turned] == sorted(row[place] for row in turned)
    assert order(timed) == "Driven in two halves: all passes with rubber, then all with polyurethane."
    assert "so the order is not known" in order(recorded)
    mixed = replace(timed, passes=tuple(replace(drive, started=day) for drive in timed.passes))
    assert order(mixed).startswith("Driven in turns")
    assert DRIFT[1:] in without_pictures(replace(compared, drives=timed))
    assert DRIFT[1:] not in without_pictures(compared)


def of_box(make, drives):
    """The rows of the table of bench records, as texts."""
    tables = CapturesSection().compare(make.on_whole_passes(drives), ()).tables
    (table,) = (table for table in tables if table.title == "What the bench knows of the box")
    return [" | ".join(row) for row in table.rows]


def test_it_says_what_the_bench_knows_of_the_box(make, recorded):
    """Without records the data sheet's ±0.5 % (DS-000347 table 2); with them their dates and values."""
    (row,) = of_box(make, recorded)
    assert row.startswith("all | ")
    assert (row.count("data sheet"), row.count("±0.50 %"), row.count("no record")) == (2, 1, 2)
    without = recorded.passes[0].bench
    known = replace(
        without,
        measured_utc=dict.fromkeys(without.measured_utc, "2026-03-14T10:00:00+00:00"),
        scale_uncertainty=(1e-3, 1e-3, 2.5e-4),
        usable_hz=113.3,
        selftest_ok=False,
    )
    passes = tuple(replace(drive, bench=known) if number < 2 else drive for number, drive in enumerate(recorded.passes))
    rows = {row.partition(" | ")[0]: row for row in of_box(make, replace(recorded, passes=passes))}
    with_records = rows[f"{passes[0].name}, {passes[1].name}"]
    (others,) = (names for names in rows if rows[names] != with_records)
    assert set(others.split(", ")) == {drive.name for drive in passes[2:]}
    assert with_records.count("| 2026-03-14") == 2
    for words in ("±0.025 %", "113 Hz, 2026-03-14", "failed, 2026-03-14"):
        assert words in with_records


def test_the_knocks_table_gives_rates_a_minute_and_a_kilometre(compared):
    """None in so many minutes at 40 km/h: at most −ln 0.05 = 2.9957 over the minutes, and over the kilometres."""
    evidence = compared.evidence["knocks"]
    (table,) = evidence.tables
    sides = [side for road in evidence.data for side in (road.before, road.after)]
    for row, side in zip(table.rows, sides, strict=True):
        cells = dict(zip(table.columns, row, strict=True))
        assert cells["a minute"] == cells["a km"] == "0.00"
        for name, exposure in (("a minute", side.minutes), ("a km", side.minutes * 40 / 60)):
            interval = row[table.columns.index(name) + 1]
            low, high = map(float, interval.split(" to "))
            assert (low, high) == (0, pytest.approx(2.9957 / exposure, rel=5e-3))


def test_names_of_users_stay_text(page, recorded):
    vehicle = recorded.passes[0].conditions.vehicle
    assert "<script>" in vehicle
    assert squeezed(vehicle) in squeezed(page.text)
    assert "Its data is <i>invented</i>." in page.text
    assert "onload" not in "".join(key for _, attrs in page.tags for key in attrs)


def test_half_a_character_as_file_names_can_hold_does_not_stop_the_page(compared, tmp_path):
    path = write_report(compared, tmp_path, ["odd-\udcff"])  # what os.fsdecode makes of the byte FF
    assert "odd-?" in path.read_text("utf-8")


def test_the_captures_fingerprints_are_there(page, recorded):
    for drive in recorded.passes:
        assert drive.name in page.text
        assert hashlib.sha256(drive.path.read_bytes()).hexdigest() in page.text
        assert hashlib.sha256(drive.path.with_suffix(".ttraw").read_bytes()).hexdigest() in page.text


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


def test_one_pass_a_side_makes_a_report_that_says_undecided(recorded, tmp_path):
    few = tuple(drive for drive in recorded.passes if drive.conditions.pass_number == 1)
    comparison = compare(replace(recorded, passes=few))
    text = squeezed(Page(write_report(comparison, tmp_path).read_text("utf-8")).text)
    assert {finding.verdict for finding in comparison} == {"undecided"}
    assert all(squeezed(finding.words) in text for finding in comparison)
    assert "too few passes to say" in text


def test_it_speaks_of_limits_not_of_comfort_limits(page):
    text = squeezed(page.text)
    assert "A hard point of the body is not a seat." in text
    assert "no limit for people may be read from them" in text
    assert "A p-value above 0.05 never means “the same”." in text
