"""The picture of the alignment, and the headline about places."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.comparison import compare
from towertap.compare.sections.places import PlacesSection

pytestmark = pytest.mark.usefixtures("styled")


@pytest.mark.parametrize("aligned", [True, False])
def test_the_alignment_shows_every_pass_by_place(make, recorded, aligned):
    """The title says if it failed; noise that swells and fades alike in all passes is not a road."""
    evidence = compare(make.driven(1) if aligned else recorded, metrics=["jerk_z"]).evidence["places"]
    (picture,) = PlacesSection().pictures(evidence)
    (places,) = evidence.drawn
    (panel,) = picture.panels
    (axes,) = panel.axes
    for shown, line in zip(places.prints, axes.lines, strict=True):
        assert np.array_equal(line.get_ydata(), shown, equal_nan=True)
        assert np.all(np.diff(line.get_xdata()) > 0)
    assert ("not aligned" in picture.title) != aligned
    assert len(picture.data.rows) == sum(shown.size for shown in places.prints)


def test_the_headline_counts_places_and_names_findings_without_any(make, compared):
    comparison = compare(make.driven(1), metrics=["jerk_z"])
    (alignment,) = comparison.evidence["places"].data
    assert comparison.evidence["places"].headline == f"All passes are aligned on lane ({alignment.places} places)."
    assert compared.evidence["places"].headline == (
        "Passes could not be aligned on any road. Findings not over rough places alone: quarry-lane."
    )
