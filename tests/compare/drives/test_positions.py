"""Which of two boxes' captures a comparison uses, and which captures are of one pass."""

from __future__ import annotations

import pytest
from towertap.capture.conditions import Conditions
from towertap.compare.drives.folder import load_passes, unused
from towertap.compare.drives.positions import at_position, inputs_at
from towertap.errors import CallError

NAMES = ("rubber", "polyurethane", "bypass")


def test_two_positions_need_a_choice_and_one_is_used(two_box_folder, two_box_drives):
    with pytest.raises(CallError, match=r"one box position\. .* --position, one of 'arm', 'sill'; with one, strike"):
        load_passes(two_box_folder, *NAMES)
    with pytest.raises(CallError, match="'roof': use one of 'arm', 'sill'"):
        load_passes(two_box_folder, *NAMES, position="roof")
    assert len(two_box_drives.passes) == 12
    assert {drive.conditions.box_position for drive in two_box_drives.passes} == {"sill"}
    warnings = two_box_drives.remarks
    assert not any("box positions" in remark or "more than once" in remark for remark in warnings)
    assert two_box_drives.excluded == (), "the captures at the arm are the input"


def test_a_missing_input_is_refused_in_one_line(two_box_folder):
    with pytest.raises(CallError, match="'roof': positions are 'arm', 'sill'"):
        load_passes(two_box_folder, *NAMES, position="sill", input_position="roof")
    with pytest.raises(CallError, match="'sill' is the position being compared"):
        load_passes(two_box_folder, *NAMES, position="sill", input_position="sill")


@pytest.fixture
def known(tmp_path):
    """The conditions of three passes by capture; the second was recorded at the arm alone."""
    said = {(1, "sill"), (1, "arm"), (2, "arm"), (3, "sill"), (3, "arm")}
    return {
        tmp_path / f"lane_{number}_{place}.h5": Conditions("minibus", "rubber", "lane", number, box_position=place)
        for number, place in sorted(said)
    }


def test_a_pass_missing_at_the_position_is_reported(known):
    excluded = []
    chosen = at_position(known, dict.fromkeys(known, "before"), "sill", excluded)
    assert [path.stem for path in chosen] == ["lane_1_sill", "lane_3_sill"]
    assert [(capture.capture, capture.reason) for capture in excluded] == [
        ("lane_2_arm", "its pass was not recorded at 'sill'")
    ]


def test_the_inputs_of_a_capture_are_of_the_same_pass(known):
    chosen = at_position(known, dict.fromkeys(known, "before"), "sill", [])
    inputs = inputs_at(known, chosen, "arm")
    assert {path.stem: [source.stem for source in sources] for path, sources in inputs.items()} == {
        "lane_1_sill": ["lane_1_arm"],
        "lane_3_sill": ["lane_3_arm"],
    }


def test_captures_at_another_position_are_listed_as_unused(known):
    chosen = at_position(known, dict.fromkeys(known, "before"), "sill", [])
    assert {
        capture.capture: capture.reason for capture in unused(known, chosen, ("rubber", "stiff"), None, "sill")
    } == dict.fromkeys(["lane_1_arm", "lane_2_arm", "lane_3_arm"], "made at the box position 'arm', not at 'sill'")
