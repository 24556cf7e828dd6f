"""The page: it parses, is self-contained, states every finding, and escapes user names."""

import hashlib
import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from html.parser import HTMLParser

import pandas as pd
import pytest
from towertap.compare.comparison import compare
from towertap.compare.findings.describe import findings_table
from towertap.compare.sections import SECTIONS
from towertap.compare.sections.captures import CapturesSection, conditions, order
from towertap.drawing.picture import DrawnPicture
from towertap.report.driven import driven
from towertap.report.page import render
from towertap.report.report import write_report
from towertap.words.table import tabulate

NO_PICTURE = DrawnPicture("", "", "", (), tabulate("", []))
ODD = "odd-\udcff"
"""The byte FF after os.fsdecode."""
VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """Collects text and attributes, and asserts that every tag is closed."""

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
    path = write_report(compared, tmp_path_factory.mktemp("out") / "report", ["Its data is <i>invented</i>.", ODD])
    assert path.name == "report.html"
    return path.parent


@pytest.fixture(scope="module")
def page(folder):
    return Page((folder / "report.html").read_text("utf-8"))


def without_pictures(comparison):
    """The page of a comparison, its pictures left out."""
    return render(comparison, NO_PICTURE, {name: [] for name in comparison.evidence})


def squeezed(text):
    return " ".join(text.split())


def test_every_tag_closes(page):
    assert page.open == []
    assert page.tags[0][0] == "html"


def test_it_loads_nothing_from_elsewhere(page, folder):
    """Links lead to files beside the page; rasters within a picture are data."""
    named = [(tag, attrs[name]) for tag, attrs in page.tags for name in ("src", "href", "xlink:href") if name in attrs]
    assert len(named) >= 5
    for tag, target in named:
        if tag == "a":
            assert (folder / target).is_file()
        else:
            assert target.startswith(("data:image/png;base64,", "#"))
    assert not {"script", "link", "iframe", "object", "img"} & {tag for tag, _ in page.tags}
    style = re.search(r"<style>(.*?)</style>", (folder / "report.html").read_text("utf-8"), re.DOTALL).group(1)
    assert "url(" not in style
    assert "@import" not in style


def test_it_says_the_answer_every_finding_and_all_evidence(page, compared):
    text = squeezed(page.text)
    assert squeezed(compared.answer.change[1:]) in text
    for words in (*(line for _, line in compared.answer.lines), *(caution.words for caution in compared.cautions)):
        assert squeezed(words) in text
    for table in (findings_table(compared.overall, compared.findings), driven(compared)[0]):
        assert all(squeezed(cell) in text for row in table.rows for cell in row)
    for evidence in compared.evidence.values():
        for words in (evidence.headline, *evidence.paragraphs):
            assert squeezed(words) in text
        for table in evidence.tables:
            assert squeezed(table.title) in text
            for cell in (cell for row in table.rows for cell in row):
                assert squeezed(cell) in text


def test_the_order_is_answer_evidence_method(page, compared):
    """The folds are in the order of the sections, and closed by default."""
    identities = [attrs["id"] for tag, attrs in page.tags if tag in ("section", "details", "p") and "id" in attrs]
    evidence = [section.name for section in SECTIONS if section.name in compared.evidence]
    short = ["findings", "driven", "cautions", "method", "limits", "safety", "evidence"]
    assert identities == [*short, "all", *(["further"] if "further" in identities else []), *evidence, "method-in-full"]
    assert not any("open" in attrs for tag, attrs in page.tags if tag == "details")


def test_full_opens_every_fold(compared):
    opened = Page(render(compared, NO_PICTURE, {name: [] for name in compared.evidence}, full=True))
    assert all("open" in attrs for tag, attrs in opened.tags if tag == "details")


def test_a_section_with_nothing_to_say_is_one_line(compared):
    """White noise has no knocks: only the headline remains."""
    assert compared.evidence["knocks"].tables == ()
    source = without_pictures(compared)
    assert '<p class="line" id="knocks">' in source
    assert squeezed(compared.evidence["knocks"].headline) in squeezed(Page(source).text)


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
    assert order(timed) == "Driven in two halves: first rubber, then polyurethane."
    assert "so the order is not known" in order(recorded)
    mixed = replace(timed, passes=tuple(replace(drive, started=day) for drive in timed.passes))
    assert order(mixed).startswith("Driven in turns")


def of_box(make, drives):
    """The rows of the table of bench records, as texts."""
    tables = CapturesSection().compare(make.on_whole_passes(drives), ()).tables
    (table,) = (table for table in tables if table.title == "What the bench knows of the box")
    return [" | ".join(row) for row in table.rows]


def test_it_lists_the_bench_records_of_the_box(make, recorded):
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


def test_names_of_users_stay_text(page, recorded):
    vehicle = recorded.passes[0].conditions.vehicle
    assert "<script>" in vehicle
    assert squeezed(vehicle) in squeezed(page.text)
    assert "Its data is <i>invented</i>." in page.text
    assert "onload" not in "".join(key for _, attrs in page.tags for key in attrs)


def test_a_lone_surrogate_from_a_file_name_does_not_stop_the_page(page):
    assert "odd-?" in page.text


def test_the_captures_fingerprints_are_there(page, recorded):
    for drive in recorded.passes:
        assert drive.name in page.text
        assert hashlib.sha256(drive.path.read_bytes()).hexdigest() in page.text
        assert hashlib.sha256(drive.path.with_suffix(".ttraw").read_bytes()).hexdigest() in page.text


def test_every_picture_is_in_the_page_as_svg_and_beside_it_with_its_data(page, folder):
    pictures = [attrs for tag, attrs in page.tags if tag == "svg"]
    names = sorted(path.stem for path in (folder / "pictures").glob("*.png"))
    assert names == [
        "alignment",
        "findings",
        "passes",
        "passes_others_1",
        "passes_others_2",
        "spectra_1",
        "spectra_2",
        "spectrogram_1_1",
        "spectrogram_1_2",
        "thirds",
    ]
    assert len(pictures) == len(names)
    assert all(attrs["role"] == "img" and len(attrs["aria-label"]) > 20 for attrs in pictures)
    data = {path.stem for path in (folder / "data").glob("*.csv")}
    assert {"alignment", "findings", "passes", "spectra", "spectrogram_1", "thirds"} <= data
    identities = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(identities) == len(set(identities))


def test_every_table_lies_beside_the_page(folder, compared):
    for name, evidence in compared.evidence.items():
        for number, table in enumerate(evidence.tables, start=1):
            read = pd.read_csv(folder / "data" / f"{name}_table_{number}.csv")
            assert (tuple(read.columns), len(read)) == (table.columns, len(table.rows))


def test_one_pass_per_side_makes_a_report_that_says_undecided(recorded):
    few = tuple(drive for drive in recorded.passes if drive.conditions.pass_number == 1)
    comparison = compare(replace(recorded, passes=few))
    text = squeezed(Page(without_pictures(comparison)).text)
    assert {finding.verdict for finding in comparison} == {"undecided"}
    assert "one pass with rubber and one with polyurethane cannot tell a change from chance" in text
    assert "too few passes to say" in text


def test_it_states_its_limits_and_no_comfort_limits(page):
    text = squeezed(page.text)
    assert "A hard point of the body is not a seat: this says nothing about limits for comfort or health." in text
    assert "springs under load and a badly supported vehicle kill" in text


def test_differences_between_the_sides_are_a_table_and_the_rest_a_sentence(compared):
    table, alike = driven(compared)
    assert [row[0] for row in table.rows] == ["speed on quarry-lane, times the reference pass"][: len(table.rows)]
    assert "tyres, kPa 250, 250, 300, 300" in alike
    assert "air, °C 12.0" in alike
