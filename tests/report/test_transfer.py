"""The transfer's figure and its section of the page, from captures of two boxes."""

from dataclasses import replace

import pytest
from towertap.cli._compare_transfer import transfer_tables
from towertap.compare.comparison import compare
from towertap.compare.drives.folder import load_passes
from towertap.compare.model import Excluded
from towertap.compare.sections.transfer import figure as transfer
from towertap.compare.sections.transfer.two_boxes import transfers
from towertap.report.report import write_report


@pytest.fixture(scope="module")
def two_boxes(two_box_folder):
    """Drives and comparison with the transfer."""
    drives = load_passes(two_box_folder, "rubber", "polyurethane", "bypass", position="sill")
    return drives, replace(compare(drives, metrics=["acceleration_z"]), transfer=transfers(drives, "arm"))


def test_every_axis_has_a_unit_and_the_title_says_the_finding(two_boxes, styled):
    (road,) = two_boxes[1].transfer
    figure = transfer.draw(road)
    gain, coherence, ratio = figure.axes
    assert "output / input" in gain.get_ylabel()
    assert "coherence" in coherence.get_ylabel()
    assert "95 % interval" in ratio.get_ylabel()
    assert "Hz" in ratio.get_xlabel()
    most = max((band for band in road.bands if band.judged), key=lambda band: max(band.ratio, 1 / band.ratio))
    assert figure.get_suptitle().startswith(f"quarry-lane: the transfer changed most at {most.name} Hz, × ")


def test_where_no_interval_leaves_1_out_the_title_says_so(two_boxes, styled):
    (road,) = two_boxes[1].transfer
    bands = tuple(replace(band, interval=None) for band in road.bands)
    assert transfer.title(replace(road, bands=bands)) == "quarry-lane: no change of the transfer is shown in any band"


def test_a_road_on_which_a_side_was_not_paired_has_its_sentence_alone(two_boxes, tmp_path):
    drives, comparison = two_boxes
    (road,) = comparison.transfer
    left = tuple(Excluded(one.capture, f"its input {one.input_capture} is not sound") for one in road.passes)
    for passes in ((), tuple(one for one in road.passes if one.side == "after")):
        lone = replace(comparison, transfer=(replace(road, passes=passes, excluded=left),))
        folder = tmp_path / str(len(passes))
        section = write_report(lone, drives, folder).read_text("utf-8").split('<section id="transfer">')[1]
        section = section.split("</section>")[0]
        assert road.words in section
        assert section.count("not in the transfer") == 1
        assert "<table" not in section
        assert "<img" not in section
        assert not (folder / "transfer_1.png").exists()
        assert list(transfer_tables(lone)) == []


def test_the_page_has_the_section_only_where_a_second_box_was_recorded(two_boxes, tmp_path):
    drives, comparison = two_boxes
    page = write_report(comparison, drives, tmp_path / "with").read_text("utf-8")
    assert '<section id="transfer">' in page
    assert comparison.transfer[0].words in page
    assert "not judged" in page
    assert (tmp_path / "with" / "transfer_1.png").stat().st_size > 10_000
    page = write_report(replace(comparison, transfer=()), drives, tmp_path / "without").read_text("utf-8")
    assert 'id="transfer"' not in page
