"""Cautions about the drives: a road that one side lost to clipping."""

from __future__ import annotations

from dataclasses import replace

from towertap.compare.caution import Weight
from towertap.compare.drives.differences import differences
from towertap.compare.findings.cautions import on_the_drives


def test_a_road_lost_to_clipping_on_one_side_is_not_called_undriven(make):
    driven = make.invented(1, roads={"moor-road": 50.0})
    lost = [drive for drive in make.invented(2).passes if (drive.road, drive.side) == ("quarry-lane", "before")]
    drives = replace(
        driven, passes=(*driven.passes, *lost), clipped_out=(("quarry-lane", "after"),) * 4 + (("moor-road", "after"),)
    )
    assert list(differences(drives)) == []
    study = replace(make.on_whole_passes(driven), drives=drives)
    other, caution = on_the_drives(study, (), lambda _: (), ())
    assert caution.words.startswith("quarry-lane is not compared: 4 passes with polyurethane clipped too much")
    assert caution.weight == Weight.OVERTURNS, "a harsher part clips more: the road is left out by its outcome"
    assert caution.remedy.startswith("Drive quarry-lane again")
    assert other.words.startswith("moor-road: 1 pass with polyurethane clipped and none with the other part")
