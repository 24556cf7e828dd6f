"""The bench records that hold for a capture, and how they correct and qualify its values."""

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

NOT_A_BOX = "made by another recorder, not a box: its noise and scale are not known"
NOT_LOOKED_FOR = RecordFor(None, "bench records were not looked for")


@dataclass(frozen=True)
class BenchSummary:
    """How bench records enter the values of one capture, as plain data.

    `serial` of the box; `words` and `measured_utc` (None: no record) by kind of record; `scale_uncertainty` of the
    vehicle axes x, y, z, relative; `usable_hz`, the upper limit of the mounting; `selftest_ok`, the chip's self-test.
    """

    serial: str
    words: dict[str, str]
    measured_utc: dict[str, str | None]
    scale_uncertainty: tuple[float, float, float]
    usable_hz: float | None
    selftest_ok: bool | None


@dataclass(frozen=True)
class BenchRecords:
    """The records that hold for one capture, or why there are none.

    Without a calibration or noise record, the data sheet's values are used.
    """

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
        """Whether a calibration or a data sheet gives the scale; false for another recorder."""
        return self.calibration.record is not None or not math.isnan(self.layout.sensitivity_tolerance)

    def scale_uncertainty(self, rotation: Array) -> Array:
        """Relative uncertainty of the scale along each vehicle axis (3,), for absolute values.

        Half the calibration's 95 % interval; without one the data sheet's tolerance, which has no stated coverage.
        """
        if self.calibration.record is None:
            return np.full(3, self.layout.sensitivity_tolerance)
        return tumble.scale_uncertainty(self.calibration.record, rotation)

    @property
    def noise_record(self) -> Record:
        """The noise record, or one of the data sheet's values."""
        return self.noise.record or data_sheet(self.layout, self.subject.odr_hz)

    def summary(self, rotation: Array) -> BenchSummary:
        """Summary for people and programs; vehicle = rotation @ chip."""
        records: dict[str, RecordFor] = {kind: getattr(self, kind) for kind in KINDS}
        words = {kind: choice.words for kind, choice in records.items()}
        x, y, z = map(float, self.scale_uncertainty(rotation))
        if not self.scale_known:
            words["calibration"] = words["noise"] = NOT_A_BOX
        elif self.calibration.record is None:
            words["calibration"] += f"; until then absolute values have the data sheet's tolerance of ±{100 * z:g} %"
        if self.noise.record is None and self.scale_known:
            density = self.layout.noise_g_per_rthz * 1e6
            words["noise"] += f"; until then noise is taken from the data sheet's density of {density:g} µg/√Hz"
        selftest = self.selftest.record
        if selftest:
            result = selftest.result
            words["selftest"] += ": passed" if result["ok"] else f": {result.get('verdict', 'failed')}"
        return BenchSummary(
            self.subject.serial,
            words,
            {kind: choice.record.measured_utc if choice.record else None for kind, choice in records.items()},
            (x, y, z),
            float(self.tap.record.result["usable_hz"]["one_third"]) if self.tap.record else None,
            bool(selftest.result["ok"]) if selftest else None,
        )


def records_for(capture: Capture, folder: Path | None = None) -> BenchRecords:
    """The records for a capture in `folder`, by default `bench` next to it; CallError if `folder` does not exist."""
    if folder is not None and not folder.is_dir():
        raise CallError(f"no folder '{folder}': name the one that holds the bench records")
    place = bench_folder(capture.path, folder)
    return BenchRecords(capture.layout, subject_of(capture), **{kind: find(place, kind, capture) for kind in KINDS})


def no_records(capture: Capture) -> BenchRecords:
    """Only the data sheet's values."""
    return BenchRecords(capture.layout, subject_of(capture), **dict.fromkeys(KINDS, NOT_LOOKED_FOR))


def data_sheet(layout: Layout, odr_hz: float) -> Record:
    """A noise record of the data sheet's values: white noise of its density, at the nominal rate."""
    density = np.full(3, layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2)
    subject = BoxSetup("", layout.chip, odr_hz, np.nan, None)
    return Record("noise", subject, "", None, "data sheet", {"density": {"value": density}, "floors": {}})
