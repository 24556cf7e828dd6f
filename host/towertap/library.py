"""The library interface: a capture as tables and arrays, and the comparison of a folder of captures."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.analysis import Analysis, analyse_capture
from towertap.bench.carried import records_for
from towertap.bench.records import bench_folder
from towertap.capture.conditions import Conditions
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.capture.speed_log import read_speed_logs
from towertap.compare import load_drives
from towertap.compare.comparison import Comparison
from towertap.compare.comparison import compare as compare_drives
from towertap.compare.controls import controls_of
from towertap.compare.drives.speed_join import with_speed
from towertap.compare.findings.model import Finding
from towertap.compare.plan.plan import read_plan
from towertap.doors.files import Closing
from towertap.errors import CallError
from towertap.exchange.listening import sounds_of
from towertap.exchange.samples import Axes, Samples, Units
from towertap.lazily import pd

PathLike = str | Path


class OpenCapture(Closing):
    """A capture, open for reading; close it, or use it as a context manager.

    `bench` is the folder of the bench records (default: `bench` next to the capture). A valid calibration there is
    applied to data in vehicle axes.
    """

    def __init__(self, path: PathLike, bench: PathLike | None = None) -> None:
        """FileError if `path` is not a capture."""
        self._capture = open_capture(path)
        self._bench = None if bench is None else Path(bench)

    def close(self) -> None:
        """Close the file."""
        self._capture.close()

    @property
    def path(self) -> Path:
        """Path of the file."""
        return self._capture.path

    @property
    def rate_hz(self) -> float:
        """True sample rate."""
        return self._capture.rate_hz

    @property
    def conditions(self) -> Conditions:
        """Conditions of the drive."""
        return self._capture.conditions

    @property
    def from_box(self) -> bool:
        """Whether a box recorded it; False if another recorder's file was imported."""
        return not self._capture.is_imported

    def frame(self, axes: Axes = "vehicle", units: Units = "si") -> pd.DataFrame:
        """All samples as a table, indexed by `time_s` from the first sample at the true rate; a gap is a row of NaN.

        Columns are named by quantity, axis and unit, such as `acceleration_z_ms2`. `axes` is "vehicle" (x forward, y
        left, z up), "chip" or "counts"; `units` is "si" or "g". Metadata is in `attrs`. The table takes about 56 bytes
        per sample. AnalysisError if the mounting is not known.
        """
        samples = Samples(self._capture, axes, units, bench=self._bench)
        times, values = zip(*samples.blocks(), strict=True)
        index = pd.Index(np.concatenate(times), name="time_s")
        table = pd.DataFrame(np.concatenate(values), index, [column.name for column in samples.columns])
        table.attrs = dict(samples.metadata)
        return table

    def signal(self, axis: str = "z", quantity: str = "acceleration") -> NDArray[np.float64]:
        """One axis of the vehicle, (n,) in m/s² or rad/s, at `rate_hz`; a gap is one NaN.

        `axis` is "x" (forward), "y" (left) or "z" (up), `quantity` "acceleration" or "rotation".
        """
        samples = Samples(self._capture, bench=self._bench)
        names = [(column.quantity, column.axis) for column in samples.columns]
        if (quantity, axis) not in names:
            raise CallError(f"{self.path}: no {quantity} {axis}: there is {', '.join(self._capture.axes)}")
        column = names.index((quantity, axis))
        return np.concatenate([values[:, column] for _, values in samples.blocks()])

    def analyse(self, **options: Any) -> Analysis:
        """The metrics per window (`.windows`, pandas) and over the whole capture (`.whole`); see `analyse_capture`."""
        return analyse_capture(self._capture, bench=records_for(self._capture, self._bench), **options)

    def check(self) -> Integrity:
        """Whether it is sound, and the result of every rule."""
        return check(self._capture)

    def _repr_html_(self) -> str:
        """Small table for notebooks."""
        conditions = {name: value for name, value in self.conditions.to_dict().items() if value not in ("", None)}
        facts = {
            "capture": self.path.name,
            "rate": f"{self.rate_hz:.4f} Hz",
            "length": f"{self._capture.n_samples / self.rate_hz:.1f} s, {len(self._capture.pieces())} without a gap",
            "from": self._capture.text("chip") if self.from_box else "another recorder, not a box",
            **conditions,
        }
        rows = (f"<tr><th>{name}</th><td>{escape(str(fact))}</td></tr>" for name, fact in facts.items())
        return f"<table>{''.join(rows)}</table>"


class BeforeAfter:
    """The comparison of a folder of captures before and after a part was changed."""

    def __init__(self, comparison: Comparison) -> None:
        """`comparison` is the internal result, with everything that is not repeated here."""
        self.comparison = comparison

    @property
    def answer(self) -> str:
        """The answer over all findings: the verdict, how certain it is, what could be wrong, and what to do next."""
        return str(self.comparison.answer)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Everything that weakens the answer, the most serious first."""
        return tuple(caution.words for caution in self.comparison.cautions)

    @property
    def findings(self) -> pd.DataFrame:
        """One row per metric and road, and one per metric over all rough roads together (`over_all`).

        `ratio` is after / before. `low` and `high` are its 95 % interval over the passes of these drives, `part_low`
        and `part_high` the one for the part. `shown_here` is the verdict on these drives, `verdict` on the part.
        """
        return pd.DataFrame(map(_row, (*self.comparison.overall, *self.comparison.findings)))

    def report(self, folder: PathLike, *, sounds: bool = True) -> Path:
        """Write the report, with its pictures and sounds, into a folder; returns the path of its page."""
        from towertap.report.report import write_report  # here, because it loads matplotlib

        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        picture_sounds = sounds_of(self.comparison, folder)[0] if sounds else {}
        return write_report(self.comparison, folder, sounds=picture_sounds)

    def _repr_html_(self) -> str:
        """The answer and a table of the findings, for notebooks."""
        columns = ["road", "metric", "ratio", "low", "high", "shown_here", "verdict"]
        table = self.findings[columns].to_html(index=False, float_format="{:.3f}".format, escape=True, na_rep="")
        return f"<p><b>{escape(self.answer)}</b></p>{table}"


def open(path: PathLike, bench: PathLike | None = None) -> OpenCapture:
    """Open a capture (.h5); FileError if it is not one."""
    return OpenCapture(path, bench)


def compare(
    folder: PathLike,
    before: str = "",
    after: str = "",
    smooth: str = "",
    *,
    plan: PathLike | None = None,
    margin: float | None = None,
    metrics: Sequence[str] = (),
    include_unsound: bool = False,
    bench: PathLike | None = None,
    vehicle: str | None = None,
    position: str | None = None,
    input_position: str | None = None,
    speed: Sequence[PathLike] = (),
    speed_offset_s: float | None = None,
) -> BeforeAfter:
    """Compare the captures of a folder before and after a part was changed.

    `before` and `after` name the parts and `smooth` the smooth road, unless `plan` (a plan file) does. `margin` is the
    change that counts, as a fraction (default 0.10). `speed` are logs of the speed driven. The other arguments are
    those of `towertap compare`. Raises TowertapError if the captures cannot be compared.
    """
    the_plan = read_plan(Path(plan)) if plan else None
    names = {"before": before, "after": after, "smooth": smooth}
    chosen = {name: value or (getattr(the_plan, name) if the_plan else "") for name, value in names.items()}
    if missing := [name for name, value in chosen.items() if not value]:
        raise CallError(f"missing: {', '.join(missing)}; give them, or a plan")
    records = None if bench is None else Path(bench)
    options: dict[str, Any] = {"vehicle": vehicle, "position": position, "input_position": input_position}
    drives = load_drives(Path(folder), **chosen, bench=records, include_unsound=include_unsound, **options)
    logs = [log for path in speed for log in read_speed_logs(path)]
    drives = with_speed(drives, logs, speed_offset_s)
    controls = controls_of(drives, bench_folder(drives.passes[0].path, records))
    return BeforeAfter(compare_drives(drives, margin, metrics, the_plan, controls=controls))


def _row(finding: Finding) -> dict[str, Any]:
    low, high = finding.interval or (np.nan, np.nan)
    part_low, part_high = finding.part.interval or (np.nan, np.nan)
    return {
        "road": finding.road,
        "over_all": finding.over_all,
        "metric": finding.metric,
        "unit": finding.unit,
        "passes_before": finding.passes[0],
        "passes_after": finding.passes[1],
        "before": finding.before,
        "after": finding.after,
        "ratio": finding.ratio,
        "low": low,
        "high": high,
        "part_low": part_low,
        "part_high": part_high,
        "shown_here": finding.on_these_drives,
        "verdict": finding.verdict,
        "words": finding.words,
    }
