"""A part over months: statistics against scipy and statsmodels, error rates, sessions and wording."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from towertap.bench.sharing import Share
from towertap.capture.conditions import Conditions
from towertap.cli._outcome import plain
from towertap.compare.drives.folder import CaptureLabel
from towertap.errors import AnalysisError, CallError
from towertap.wear import follow
from towertap.wear.drives import sessions_of
from towertap.wear.figure import panels
from towertap.wear.model import History, Session
from towertap.wear.trend import against_first, days_against_passes, fit_line, months_to
from towertap.wear.words import headline, summary, tables
from towertap.words.numbers import range_percent

from tests.wear import wear_trend

MONTHS = (0.0, 1.5, 3.0, 5.0, 6.0)
MEANS = (0.00, 0.04, 0.05, 0.12, 0.11)


def followed(make, levels, seed=1, passes=4, smooth=None, days_apart=60):
    """Sessions of passes over the rough road `lane`, scaled by `levels`, and over the smooth road."""
    drives = make.driven(seed, n=(passes * len(levels), passes * len(levels)))
    rough, bypass = drives.of("lane", "before"), drives.of("bypass", "before")
    start = datetime(2026, 3, 14, 9, tzinfo=UTC)
    sessions = []
    for number, level in enumerate(levels):
        began = start + timedelta(days=days_apart * number)
        of_session = slice(passes * number, passes * (number + 1))
        group = [make.scaled(drive, level) for drive in rough[of_session]]
        group += [make.scaled(drive, smooth[number] if smooth else 1.0) for drive in bypass[of_session]]
        timed = [
            replace(drive, side="after", started=began + timedelta(minutes=10 * k)) for k, drive in enumerate(group)
        ]
        sessions.append(Session(f"{began:%Y-%m-%d}", began, tuple(timed)))
    return History("polyurethane", "minibus", "bypass", drives.metrics, tuple(sessions))


def test_the_line_is_that_of_scipy_and_statsmodels():
    line = fit_line(MONTHS, MEANS)
    expected = stats.linregress(MONTHS, MEANS)
    model = sm.OLS(MEANS, sm.add_constant(MONTHS)).fit()
    assert (line.slope, line.intercept, line.error) == pytest.approx(
        (expected.slope, expected.intercept, expected.stderr)
    )
    assert line.slope_interval() == pytest.approx(model.conf_int()[1])
    predicted = model.get_prediction(sm.add_constant([0.0, 4.0, 9.0])).conf_int()
    assert np.column_stack(line.band([0.0, 4.0, 9.0])) == pytest.approx(predicted)
    assert line.between(0.0, 6.0).p_difference() == pytest.approx(expected.pvalue)


def test_the_two_one_sided_tests_are_those_of_statsmodels():
    """Each side is statsmodels' t-test of the slope times the span against a bound."""
    model = sm.OLS(MEANS, sm.add_constant(MONTHS)).fit()
    sides = [float(model.t_test(([0, 6.0], bound)).tvalue.item()) for bound in (-math.log(1.2), math.log(1.2))]
    expected = max(stats.t.sf(sides[0], 3), stats.t.cdf(sides[1], 3))
    assert fit_line(MONTHS, MEANS).between(0.0, 6.0).p_equivalence(0.2) == pytest.approx(expected)


def test_two_days_or_a_perfect_line_have_no_trend():
    assert fit_line([0, 1], [0.0, 0.1]) is None
    assert fit_line([0, 1, 2], [0.0, 0.1, 0.2]) is None


def test_the_day_of_crossing_is_fiellers():
    """The roots in x of (distance − slope x)² = t² error² x², which is Fieller's equation with a known numerator."""
    line = fit_line(MONTHS, MEANS)
    t, distance = stats.t.isf(0.025, 3), math.log(1.1)
    roots = sorted(np.roots([line.slope**2 - (t * line.error) ** 2, -2 * distance * line.slope, distance**2]))
    assert months_to(line, distance) == pytest.approx((distance / line.slope, *roots))
    open_ended = fit_line(MONTHS, (0.0, 0.05, -0.05, 0.06, 0.0))
    when, earliest, latest = months_to(open_ended, distance)
    assert (when, latest) == (None, None)
    assert earliest == pytest.approx(distance / max(map(abs, open_ended.slope_interval())))


def test_changes_against_the_first_are_dunnetts():
    """scipy's Dunnett test has the same statistics. Its intervals account for the shared first fit and are a little
    narrower than Bonferroni's."""
    rng = np.random.default_rng(4)
    logs = [level + 0.03 * rng.standard_normal(4) for level in (0.0, 0.02, 0.08, 0.15)]
    levels = [np.exp(day) for day in logs]
    changes = against_first(levels, 0.1)
    dunnett = stats.dunnett(*logs[1:], control=logs[0], rng=np.random.default_rng(1))
    reached = [stats.t.isf(change.p_difference / 2, 12) for change in changes]
    assert reached == pytest.approx(np.abs(dunnett.statistic))
    assert [math.log(change.ratio) for change in changes] == pytest.approx(
        [day.mean() - logs[0].mean() for day in logs[1:]]
    )
    ends = dunnett.confidence_interval(0.95)
    for change, low, high in zip(against_first(levels, 0.1, 0.05 / 3), ends.low, ends.high, strict=True):
        width = math.log(change.interval[1] / change.interval[0])
        assert high - low <= width <= 1.1 * (high - low)


def test_days_against_passes_is_the_test_of_lack_of_fit():
    """statsmodels' F-test of the straight line against one mean for each session."""
    rng = np.random.default_rng(5)
    groups = [
        0.02 * month + 0.03 * rng.standard_normal(count) for month, count in zip(MONTHS, (3, 4, 2, 5, 4), strict=True)
    ]
    x = np.repeat(MONTHS, [group.size for group in groups])
    line = sm.OLS(np.concatenate(groups), sm.add_constant(x)).fit()
    means = sm.OLS(np.concatenate(groups), (x[:, None] == np.array(MONTHS)).astype(float)).fit()
    assert days_against_passes(MONTHS, groups)[1] == pytest.approx(means.compare_f_test(line)[1])


@pytest.mark.parametrize("name", ["five days of four passes, days and passes vary 3 %", "the same, level"])
def test_error_rates_of_the_trend(name):
    """500 sets of the full script; ±2 % is two standard errors. Counting passes, 1 level course in 4 has a trend."""
    rates = wear_trend.rates(range(500), **wear_trend.CASES[name])
    assert 0.93 <= rates["slope's interval covers"] <= 0.97
    assert 0.93 <= rates["the day of crossing is covered"] <= 0.975
    assert rates["the part is told to have left the margin"] <= 0.03
    if name == "the same, level":
        assert 0.03 <= rates["a trend is told"] <= 0.07
        assert rates["by passes as if independent"] > 0.15


def test_intervals_of_changes_cover_jointly_if_days_do_not_vary():
    rates = wear_trend.rates(range(500), **wear_trend.CASES["days do not vary, level"])
    assert rates["all intervals of changes cover"] >= 0.93
    assert rates["a change is told on some day"] <= 0.07


def test_a_night_separates_sessions_and_midnight_does_not():
    late = datetime(2026, 3, 14, 22, tzinfo=UTC)
    hours = (0, 1, 3, 12, 13)
    drives = [CaptureLabel(Path(f"{hour}.h5"), Conditions(), late + timedelta(hours=hour)) for hour in hours]
    assert [len(session) for session in sessions_of(drives)] == [3, 2]
    assert sessions_of([]) == []
    one_day = [CaptureLabel(Path(f"{hour}.h5"), Conditions(), late - timedelta(hours=hour)) for hour in (0, 10, 20)]
    assert len(sessions_of(one_day)) == 1, "a morning and an evening are one day"


def test_a_rising_course_uses_rough_places_and_leaves_the_margin(make):
    wear = follow(followed(make, (1.0, 1.12, 1.25, 1.4, 1.57)))
    (course,) = wear
    assert (course.basis, course.whole_because) == ("rough places", None)
    assert [change.ratio for change in course.changes] == pytest.approx([1.12, 1.25, 1.4, 1.57], rel=0.05)
    assert course.trend.verdict == course.verdict == "harsher"
    assert course.left in [mean.session for mean in course.means[1:4]]
    assert f"outside the margin of 10 % since {course.left}" in course.words
    assert "The line reaches the margin of 10 % on 2026-0" in course.words
    assert course.trend.crossing.seen
    assert course.outside == tuple(row[0] for row in tables(wear)[0].rows if "outside" in row[-1]) != ()
    assert json.loads(json.dumps(plain(wear.data())))["courses"][0]["left"] == course.left


def test_a_level_course_stays_inside_and_says_no_more_than_that(make):
    (course,) = follow(followed(make, (1.0, 1.0, 1.0, 1.0, 1.0)), margin=0.2)
    assert (course.left, course.outside, course.verdict) == (None, (), "equivalent")
    assert "inside the margin of 20 % on" in course.words
    last = course.changes[-1]
    assert f"{range_percent(last.interval_90)}, a 90 % interval" in course.words
    assert last.interval[0] < last.interval_90[0] < last.interval_90[1] < last.interval[1]
    assert course.trend.crossing.on is None or not course.trend.crossing.seen


def test_an_engine_that_makes_part_of_the_power_narrows_the_margin(make):
    """With a fifth of the power constant, a true 1 / 1.1 is measured as √(0.2 + 0.8 / 1.21) = 1 / 1.078."""
    history = followed(make, (1.0, 1.0, 1.0, 1.0, 1.0))
    (bare,) = follow(history)
    quietest = min(point.value for point in bare.points)
    share = Share("jerk_z", 0.2**0.5 * quietest, "m/s³", 0.0, "clean", "idle")
    sessions = tuple(
        replace(session, passes=tuple(replace(drive, noise={"jerk_z": share}) for drive in session.passes))
        for session in history.sessions
    )
    (course,) = follow(replace(history, sessions=sessions))
    assert course.noise.share == pytest.approx(0.2)
    assert course.measured_margin == pytest.approx((0.2 + 0.8 / 1.21) ** -0.5 - 1)
    assert course.changes[-1].p_equivalence > bare.changes[-1].p_equivalence
    assert any("the margin is narrowed accordingly" in caution.words for caution in course.cautions)


def test_an_unrecorded_engine_gets_a_caution_and_a_remedy(make):
    """The course is undecided only because the engine may narrow the margin; its share is a bound, not measured."""
    history = followed(make, (1.0, 1.0, 1.0, 1.0, 1.0), smooth=(2.0,) * 5)
    (course,) = follow(history)
    assert (course.noise.of, course.verdict) == ("unrecorded", "undecided")
    (caution,) = (caution for caution in course.cautions if "idling" in caution.words)
    assert "may come from it" in caution.words
    assert caution.remedy.startswith("Record the engine idling")


def test_a_slow_course_is_marked_as_extrapolated(make):
    (course,) = follow(followed(make, (1.0, 1.02, 1.04, 1.06, 1.08)), margin=0.12)
    crossing = course.trend.crossing
    assert not crossing.seen
    assert "not a measurement" in course.words or "not measured" in course.words or "no date" in course.words


def with_a_second_road(make, history):
    """The history with a second rough road, `track`, without a trend, so that two trends are judged."""

    def on_track(drive, level):
        path = drive.path.with_name(drive.path.name.replace("lane", "track"))
        return replace(make.scaled(drive, level), path=path, conditions=replace(drive.conditions, road="track"))

    levels = (1.0, 1.05, 0.96, 1.03, 0.97)
    sessions = [
        replace(session, passes=(*session.passes, *(on_track(drive, level) for drive in session.of("lane"))))
        for session, level in zip(history.sessions, levels, strict=True)
    ]
    return replace(history, sessions=tuple(sessions))


def test_an_undecided_trend_has_no_date_even_if_its_own_interval_excludes_0(make):
    """Holm's adjustment of two tests doubles the smaller p, here from below to above 5 %; alone it has a date."""
    levels = (1.0, 1.10, 1.075, 1.23, 1.19)
    (alone,) = follow(followed(make, levels))
    assert alone.trend.verdict == "harsher"
    assert "The line reaches the margin of 10 % on 2026-" in alone.words
    wear = follow(with_a_second_road(make, followed(make, levels)))
    course = next(course for course in wear if course.road == "lane")
    assert summary(wear.courses).count("(how suddenly the force comes)") == 1, "said once for two roads"
    assert course.trend.p_difference < 0.05 < course.trend.p_difference_holm
    assert course.trend.p_difference_holm == pytest.approx(2 * course.trend.p_difference)
    assert course.trend.verdict == "undecided"
    when = course.trend.crossing
    assert [when.months, when.latest_months, when.on, when.latest, when.seen] == [None] * 4 + [False]
    words = course.words.partition("The trend through")[2]
    assert "No rise or fall is shown, so there is no date for leaving the margin." in words
    assert "2026-" not in words
    (check,) = wear.checks
    lines = [line for panel in panels(wear, course, check) for line in panel.axes[0].lines]
    assert not any(line.get_label() == "reaches the margin" for line in lines)


def test_a_smooth_road_that_changes_as_well_gets_a_caution(make):
    (course,) = follow(followed(make, (1.0, 1.2, 1.4), smooth=(1.0, 1.2, 1.4)))
    assert any("The smooth road, bypass, changed as well" in caution.words for caution in course.cautions)
    (course,) = follow(followed(make, (1.0, 1.2, 1.4)))
    assert not any("changed as well" in caution.words for caution in course.cautions)


def test_days_that_differ_by_more_than_their_passes_leave_the_course_undecided(make):
    """Whatever the passes of the last day show; days are listed in order of time."""
    wear = follow(followed(make, (1.0, 0.8, 1.3, 0.85, 1.3)))
    (course,) = wear
    assert course.changes[-1].verdict == "harsher"
    assert course.trend.days_differ
    assert (course.verdict, course.left) == ("undecided", None)
    assert "undecided, because its days differ by more than their passes do" in course.words.split(".")[0]
    days = [(row[0], row[-1].split(",")[0]) for row in tables(wear)[0].rows]
    verdicts = ("first fit", "gentler", "harsher", "gentler", "harsher")
    assert days == list(zip([mean.session for mean in course.means], verdicts, strict=True))


def test_two_days_give_a_change_and_no_trend(make):
    (course,) = follow(followed(make, (1.0, 1.5)))
    assert course.trend is None
    assert (course.left, course.outside_since) == (None, "2026-05-13")
    assert "two days cannot separate the part from the day" in course.words
    assert "no trend" in course.words


def test_days_exactly_on_one_line_are_not_called_two_days(make):
    history = followed(make, (1.0, 1.0, 1.0))
    first = history.sessions[0]
    copies = [
        replace(
            day,
            passes=tuple(
                replace(own, kept=drive.kept, cells=drive.cells)
                for own, drive in zip(day.passes, first.passes, strict=True)
            ),
        )
        for day in history.sessions
    ]
    (course,) = follow(replace(history, sessions=tuple(copies)), margin=0.2)
    assert course.trend is None
    assert "two days" not in course.words
    assert "There is no trend: its days lie exactly on one line, which real drives never do." in course.words


def test_a_change_between_two_days_gives_no_verdict_on_the_part(make):
    """A change inside the margin, or not surely outside it, is as undecided as one outside."""
    small, inside = (follow(followed(make, (1.0, ratio), passes=8), margin=0.3).courses for ratio in (1.25, 1.0))
    assert [courses[0].verdict for courses in (small, inside)] == ["harsher", "equivalent"]
    assert [headline(courses) for courses in (small, inside)] == ["undecided", "undecided"]
    for courses in (small, inside):
        assert "by the passes of the day, though two days cannot separate the part from the day" in courses[0].words


def test_one_headline_covers_all_courses_and_one_days_passes_do_not_make_it(make):
    rising = follow(followed(make, (1.0, 1.12, 1.25, 1.4, 1.57))).courses
    level = follow(followed(make, (1.0, 1.0, 1.0, 1.0, 1.0)), margin=0.2).courses
    two_days = follow(followed(make, (1.0, 1.5))).courses
    assert two_days[0].verdict == "harsher"
    headlines = [headline(courses) for courses in (rising, level, two_days, (*rising, *level))]
    assert headlines == ["harsher", "no change that counts", "undecided", "mixed"]


def test_what_cannot_be_followed_is_refused(make):
    two = followed(make, (1.0, 1.5))
    for options in ({"margin": 0.0}, {"margin": math.nan}, {"metrics": ["comfort"]}):
        with pytest.raises(CallError):
            follow(two, **options)
    with pytest.raises(CallError, match="no metric 'jerk_z'"):  # a course has no other scale than the ratio
        follow(replace(two, metrics=tuple(replace(metric, rule="difference") for metric in two.metrics)))
    first, last = two.sessions
    only_smooth = replace(last, passes=last.of("bypass"))
    with pytest.raises(AnalysisError, match="no rough road was driven both in the first session"):
        follow(replace(two, sessions=(first, only_smooth)))


def test_three_consecutive_days_that_vary_widely_still_answer(make):
    """With days one apart, the exponential of a monthly slope overflows: infinite, and null in JSON."""
    wear = follow(followed(make, (1.0, 40.0, 0.02), days_apart=1))
    (course,) = wear
    assert course.trend.interval[1] == math.inf
    assert course.trend.crossing.on is None
    assert json.loads(json.dumps(plain(wear.data())))["courses"][0]["trend"]["interval"][1] is None


def test_the_picture_has_names_and_units(make):
    wear = follow(followed(make, (1.0, 1.12, 1.25, 1.4, 1.57)))
    (course,), (check,) = wear.courses, wear.checks
    rough, smooth = (panel.axes[0] for panel in panels(wear, course, check))
    assert rough.get_ylabel() == smooth.get_ylabel() == "vertical jerk, m/s³"
    assert smooth.get_xlabel() == "date"
    (first,) = (line for line in rough.lines if line.get_label() == "passes")
    passes = [line for line in rough.lines if line.get_markeredgecolor() == first.get_markeredgecolor()]
    drawn = [float(value) for line in passes for value in line.get_ydata()]
    assert drawn == pytest.approx([point.value for point in course.points])
    assert any(line.get_label() == "reaches the margin" for line in rough.lines)
