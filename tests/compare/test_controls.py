"""Controls are judged by equivalence, kept as small files, and used by later comparisons of the same vehicle."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from towertap.compare.answer import Case, all_cautions, answer
from towertap.compare.comparison import compare, control_of
from towertap.compare.controls import Control, ControlValue, controls_of, measured, write_control
from towertap.compare.findings.find import find
from towertap.errors import CallError, FileError

SATURDAY = datetime(2026, 5, 2, 9, tzinfo=UTC)


def dated(drives, days_after=0):
    """The drives, ten minutes apart; those after the change `days_after` days later."""
    passes = []
    for number, drive in enumerate(drives.passes):
        later = timedelta(minutes=10 * number, days=days_after if drive.side == "after" else 0)
        passes.append(replace(drive, started=SATURDAY + later))
    return replace(drives, passes=tuple(passes))


@pytest.fixture
def control(make):
    """A function that invents the drives of a control and returns the control, its finding and its answer."""

    def control(kind, seed=3, days_after=0, **options):
        drives = dated(make.invented(seed, **{"pass_spread": 0.01, "seconds": 200} | options), days_after)
        _, findings = find(make.on_whole_passes(drives), None)
        of_kind = control_of(kind, drives, 0.10, findings)
        return of_kind, findings[0], str(answer(Case(drives, (), findings, of_kind), ()))

    return control


def stored(shows="equivalent", variance=0.01**2, kind="refit", vehicle="minibus", captures=("a", "b")):
    """A control as read from its file."""
    value = ControlValue("vertical jerk", 1.01, (0.98, 1.04), (0.985, 1.035), shows, variance)
    return Control(kind, vehicle, "rubber", "rubber again", "2026-05-02", 0.10, captures, {"jerk_z": value})


def test_a_part_fitted_again_is_judged_by_equivalence(control):
    """A large p is not taken for sameness: drives that vary by a fifth show no equivalence."""
    alike, finding, text = control("refit")
    assert (finding.on_these_drives, alike.metrics["jerk_z"].shows) == ("equivalent", "equivalent")
    assert text.startswith("Refit control held: with polyurethane, jerk z (how suddenly the force comes) changed by ")
    assert ", less than 10 %. " in text
    _, finding, text = control("refit", pass_spread=0.2)
    assert finding.p_difference > 0.05
    assert text.startswith("Refit control undecided: ")
    assert control("refit", ratio=1.3)[2].startswith("Refit control not held: ")
    few, _, text = control("refit", n=(1, 1))
    assert few.metrics["jerk_z"].variance is None
    assert "cannot tell a change from chance" in text


def test_a_positive_control_shows_or_the_drives_could_not_have_shown_the_part(control):
    assert control("positive", ratio=1.3)[2].startswith("Positive control shown: with polyurethane, ")
    assert "could not have shown the part" in control("positive", ratio=1.0)[2]
    text = control("positive", ratio=0.8)[2]
    assert text.startswith("Positive control not shown: ")
    assert "the other way: polyurethane was meant to be the harsher one" in text
    assert "could not have shown" not in text


@pytest.mark.parametrize(("kind", "count"), [("positive", 0), ("refit", 1)])
def test_tyre_pressures_are_what_a_positive_control_changes(make, kind, count):
    drives = dated(make.invented(3))
    kpa = {"before": "250, 250, 300, 300", "after": "300, 300, 350, 350"}
    passes = tuple(
        replace(drive, conditions=replace(drive.conditions, tyre_pressures_kpa=kpa[drive.side]))
        for drive in drives.passes
    )
    _, findings = find(make.on_whole_passes(drives), None)
    case = Case(replace(drives, passes=passes), (), findings, stored(kind=kind))
    assert (
        sum("Changed with the part: tyre pressure" in caution.words for caution in all_cautions(case, (), ())) == count
    )


@pytest.mark.parametrize(
    ("kind", "days_after", "says"),
    [("refit", 1, "is driven on one day"), ("day", 0, "one side on one day and those of the other on another")],
)
def test_a_control_that_was_not_driven_as_one_is_refused(control, kind, days_after, says):
    with pytest.raises(CallError, match=says):
        control(kind, days_after=days_after)


def test_a_control_without_a_date_is_refused(make):
    drives = make.invented(3)
    _, findings = find(make.on_whole_passes(drives), None)
    with pytest.raises(CallError, match="a no-change day needs the date of every pass"):
        control_of("day", drives, 0.10, findings)


def test_controls_measure_the_spread_of_installations_without_bias():
    """400 refit controls of four and four passes, 3 % between installations: the pooled variance is 3 % squared, within
    four standard errors of a variance with 400 degrees of freedom."""
    draw = np.random.default_rng(5)
    controls = []
    for _ in range(400):
        logs = 0.04 * draw.standard_normal((2, 4)) + 0.03 * draw.standard_normal((2, 1))
        error = np.sqrt(logs.var(axis=1, ddof=1).sum() / 4)
        controls.append(stored(variance=(np.diff(logs.mean(axis=1))[0] ** 2 - error**2) / 2))
    together = measured(controls, "refit", "jerk_z")
    assert together.df == 400
    assert together.variance == pytest.approx(0.03**2, abs=4 * (0.03**2 + 0.04**2 / 4) * np.sqrt(2 / 400))
    assert measured(controls, "day", "jerk_z").df == 0


def test_a_controls_spread_follows_from_its_own_numbers(control):
    """Half of the squared difference, less the passes' share: their variance within the sides, pooled by hand."""
    day_control, finding, _ = control("day", days_after=7, ratio=1.05)
    sides = [np.log([value.value for value in side]) for side in (finding.before_values, finding.after_values)]
    error_square = np.mean([side.var(ddof=1) for side in sides]) * (1 / 4 + 1 / 4)
    assert day_control.metrics["jerk_z"].variance == pytest.approx((np.log(finding.ratio) ** 2 - error_square) / 2)
    assert day_control.date == "2026-05-09"


def test_a_control_of_several_installations_measures_their_spread_without_bias(make):
    """400 sets of A B A B by their own drives, 10 % between installations: two per side halve their effect.

    The mean of 400 variances of one degree of freedom each is within four of its standard errors, √(2 / 400).
    """
    draw, variances = np.random.default_rng(7), []
    template = make.invented(1, seconds=20).of("quarry-lane")
    for _ in range(400):
        level, passes = 0.1 * draw.standard_normal(4), []
        for drive in template:
            turn = 2 * (drive.conditions.pass_number > 2) + (drive.side == "after")
            again = make.scaled(
                replace(drive, kept=template[0].kept), np.exp(level[turn] + 0.01 * draw.standard_normal())
            )
            minutes = 60 * turn + 10 * (drive.conditions.pass_number % 2)
            passes.append(replace(again, started=SATURDAY + timedelta(minutes=minutes)))
        drives = make.drives_of(passes)
        _, findings = find(make.on_whole_passes(drives), None)
        assert findings[0].overlap.installations == (2, 2)
        variances.append(control_of("refit", drives, 0.10, findings).metrics["jerk_z"].variance)
    assert np.mean(variances) == pytest.approx(0.1**2, abs=4 * 0.1**2 * np.sqrt(2 / 400))


def test_controls_are_stored_and_found_again_for_the_same_vehicle(make, tmp_path):
    drives = make.invented(1)
    path = write_control(stored(), tmp_path)
    assert write_control(stored(), tmp_path) == path, "the same drives are one control"
    write_control(stored(vehicle="lorry", captures=("c",)), tmp_path)
    own = tuple(drive.name for drive in drives.passes)
    write_control(stored(captures=own), tmp_path)
    assert controls_of(drives, tmp_path) == (stored(),)
    assert controls_of(drives, tmp_path / "none") == ()


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda data: data | {"version": 2}, "of version 2: install a newer towertap"),
        (lambda data: data | {"kind": "tyres"}, "kind"),
        (lambda data: data | {"schema": "towertap-plan"}, "schema"),
    ],
)
def test_a_file_that_is_no_control_is_refused_in_one_line(make, tmp_path, spoil, says):
    path = write_control(stored(), tmp_path)
    path.write_text(json.dumps(spoil(json.loads(path.read_text()))))
    with pytest.raises(FileError, match=says):
        controls_of(make.invented(1), tmp_path)


def test_four_controls_replace_the_assumption_and_the_answer_says_so(make):
    drives = dated(make.invented(3, seconds=60))
    few, enough = (compare(drives, metrics=["jerk_z"], controls=[stored(variance=0.01**2)] * count) for count in (3, 4))
    assert few.findings[0].part.installation.source == "assumed"
    assert "4 replace what is assumed or stated" in few.evidence["controls"].paragraphs[0]
    installation = enough.findings[0].part.installation
    assert (installation.source, installation.sd, installation.df) == ("controls", pytest.approx(0.01), 4)
    assert "(1 % is measured by this vehicle's controls)" in enough.findings[0].words
    assert enough.evidence["controls"].headline == "Driven with this vehicle: 4 refit controls."
    assert "controls" not in compare(drives, metrics=["jerk_z"]).evidence


def test_a_comparison_that_is_a_control_says_so_first(make):
    comparison = compare(dated(make.invented(3, seconds=60)), metrics=["jerk_z"], control="refit")
    assert comparison.answer.verdict.startswith("refit control ")
    assert comparison.data()["control"].kind == "refit"
    assert len(comparison.evidence["controls"].tables[0].rows) == 1
