"""What the bench knows of the box that made a capture, and what that does to its readings and values."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from towertap.bench import tumble
from towertap.bench.records import KINDS, BoxSetup, Record, RecordFor, bench_folder, find, subject_of
from towertap.capture.reading import Capture
from towertap.errors import CallError
from towertap.wire.layouts import STANDARD_GRAVITY_MS2, Layout

Array = NDArray[np.float64]

OF_ANOTHER = "another recorder than a box made this: nothing is known of its noise and its scale"
NOT_LOOKED_FOR = RecordFor(None, "bench records were not looked for")


@dataclass(frozen=True)
class BenchSummary:
    """What of the bench is in the values of one capture, as plain data.

    `serial` of the box, `words` and `measured_utc` by kind of record (None: there is none), `scale_uncertainty` of the
    vehicle axes x, y, z as a part of 1, `usable_hz` up to which the mounting carries, `selftest_ok` the chip's verdict
    on itself.
    """

    serial: str
    words: dict[str, str]
    measured_utc: dict[str, str | None]
    scale_uncertainty: tuple[float, float, float]
    usable_hz: float | None
    selftest_ok: bool | None


@dataclass(frozen=True)
class BenchRecords:
    """The records that hold for one capture, or why there are none; the data sheet stands in for two of them."""

    layout: Layout
    subject: BoxSetup
    calibration: RecordFor
    noise: RecordFor
    tap: RecordFor
    selftest: RecordFor
    idle: RecordFor

    @property
    def correction(self) -> tuple[Array, Array]:
        """Offset (3,) in m/s² and matrix (3, 3), chip axes: truth = matrix @ (reading − offset)."""
        record = self.calibration.record
        return tumble.correction(record) if record else (np.zeros(3), np.eye(3))

    @property
    def scale_known(self) -> bool:
        """Whether a calibration or a data sheet tells it; of another recorder than a box neither does."""
        return self.calibration.record is not None or not math.isnan(self.layout.sensitivity_tolerance)

    def scale_uncertainty(self, rotation: Array) -> Array:
        """Uncertainty of the scale along each vehicle axis (3,), as a part of 1, for absolute values.

        Half the 95 % interval of the calibration, or without one the data sheet's tolerance, which has no coverage.
        """
        if self.calibration.record is None:
            return np.full(3, self.layout.sensitivity_tolerance)
        return tumble.scale_uncertainty(self.calibration.record, rotation)

    @property
    def noise_record(self) -> Record:
        """The noise record, or what the data sheet stands for."""
        return self.noise.record or data_sheet(self.layout, self.subject.odr_hz)

    def summary(self, rotation: Array) -> BenchSummary:
        """All of it for people and programs."""
        chosen: dict[str, RecordFor] = {kind: getattr(self, kind) for kind in KINDS}
        words = {kind: choice.words for kind, choice in chosen.items()}
        x, y, z = map(float, self.scale_uncertainty(rotation))
        if not self.scale_known:
            words["calibration"] = words["noise"] = OF_ANOTHER
        elif self.calibration.record is None:
            words["calibration"] += f"; till then the data sheet's tolerance of ±{100 * z:g} % is in absolute values"
        if self.noise.record is None and self.scale_known:
            density = self.layout.noise_g_per_rthz * 1e6
            words["noise"] += f"; till then shares of noise are by the data sheet's density of {density:g} µg/√Hz"
        tested = self.selftest.record
        if tested:
            words["selftest"] += ": passed" if tested.result["ok"] else f": {tested.result.get('verdict', 'failed')}"
        return BenchSummary(
            self.subject.serial,
            words,
            {kind: choice.record.measured_utc if choice.record else None for kind, choice in chosen.items()},
            (x, y, z),
            float(self.tap.record.result["usable_hz"]["one_third"]) if self.tap.record else None,
            bool(tested.result["ok"]) if tested else None,
        )


def records_for(capture: Capture, folder: Path | None = None) -> BenchRecords:
    """The records for a capture in `folder`, or else in `bench` beside it; CallError when `folder` is none."""
    if folder is not None and not folder.is_dir():
        raise CallError(f"no folder '{folder}': name the one that holds the bench records")
    place = bench_folder(capture.path, folder)
    return BenchRecords(capture.layout, subject_of(capture), **{kind: find(place, kind, capture) for kind in KINDS})


def no_records(capture: Capture) -> BenchRecords:
    """The data sheet alone."""
    return BenchRecords(capture.layout, subject_of(capture), **dict.fromkeys(KINDS, NOT_LOOKED_FOR))


def data_sheet(layout: Layout, odr_hz: float) -> Record:
    """The noise record that the data sheet stands for: white noise of its density, at the nominal rate."""
    density = np.full(3, layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2)
    subject = BoxSetup("", layout.chip, odr_hz, np.nan, None)
    return Record("noise", subject, "", None, "data sheet", {"density": {"value": density}, "floors": {}})
