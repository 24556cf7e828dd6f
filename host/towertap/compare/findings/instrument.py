"""What the bench says of the instrument behind a comparison: noise in the findings, bands, records that are missing."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from towertap.bench.carried import BenchSummary
from towertap.bench.records import KINDS
from towertap.bench.sharing import MARKED_SHARE, Share
from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.model import Pass
from towertap.compare.road.places import PassValue
from towertap.signals.metrics import RMS, Metric
from towertap.words.phrases import listed, sentence_case

RECORD_IDLE = "Record the engine idling with 'towertap record --idle' on the day of the drives"


def largest_share(
    passes: Sequence[Pass], values: Iterable[PassValue], metric: str, engine: Share | None
) -> Share | None:
    """The share of what is no road in the value of the pass where it is largest; None where nothing is known of it.

    That is the sensor's noise, or the `engine` in all of them; one that nobody recorded only where it may count.
    """
    noise = {drive.name: drive.noise[metric] for drive in passes if metric in drive.noise}
    pairs = ((floor, value) for value in values for floor in (noise.get(value.capture), engine))
    shares = [floor.over(value.value) for floor, value in pairs if floor]
    there = (share for share in shares if (share.of, share.judged) != ("unrecorded", "clean"))
    return max(there, key=lambda share: (share.drowns, share.share), default=None)


def engine_share(passes: Sequence[Pass], metric: Metric) -> Share | None:
    """What the idling engine may make of a metric in every one of these passes, the smooth road's among them.

    As it was recorded or the vehicle shook at a stand, by the pass that has most: an r.m.s., of other metrics each pass
    tells its own. Where no pass tells, no more than all that the quietest of them has. None where a record shows less
    than the sensor's noise.
    """
    shares = [drive.noise[metric.name] for drive in passes if metric.name in drive.noise]
    if heard := [share for share in shares if share.of != "sensor"]:
        return max(heard, key=lambda share: share.floor) if metric.statistic is RMS else None
    if any(drive.bench and drive.bench.measured_utc["idle"] for drive in passes):
        return None
    quietest = min(metric.of_all(drive.kept[metric.name]) for drive in passes)
    return Share(metric.name, quietest, metric.unit, 1.0, "marked", "unrecorded")


def noise_cautions(noise: Share | None, margin: float, hangs_on_engine: bool) -> Iterator[Caution]:
    """Where a known noise is more than a tenth of a finding's power and less than half, or an engine decides.

    `hangs_on_engine`: a statement would have a verdict if the engine, which nobody recorded, were known.
    """
    if noise is None or noise.judged != "marked":
        return
    part = f"up to {100 * noise.share:.0f} % of a pass's power"
    if noise.of != "unrecorded":
        yield Caution(
            f"{sentence_case(part)} is {noise.source} (limit {100 * MARKED_SHARE:.0f} %), the same with either part: "
            "the true change is larger than the measured one, and the margin is taken as much narrower."
        )
    elif hangs_on_engine:
        yield Caution(
            f"The engine was not recorded idling: {part} may be its own, and hide a change of more than "
            f"{100 * margin:g} %.",
            Weight.OVERTURNS,
            RECORD_IDLE,
        )


def mounting_cautions(metric: str, passes: Sequence[Pass]) -> Iterator[Caution]:
    """Each way in which a metric reaches beyond what the mounting carries."""
    for reason in dict.fromkeys(drive.beyond[metric] for drive in passes if metric in drive.beyond):
        yield Caution(f"{sentence_case(reason)}; above that the mounting rings along.")


def cautions(bench: Mapping[str, BenchSummary]) -> Iterator[Caution]:
    """Of captures by name: missing records, boxes and calibrations that differ, chips that failed their own test."""
    without = defaultdict(list)
    for kind in KINDS:
        if missing := tuple(name for name, records in bench.items() if records.measured_utc[kind] is None):
            without[missing].append(kind)
    for names, kinds in without.items():
        yield Caution(
            f"No bench record of {listed(kinds)} holds for {len(names)} of {len(bench)} captures: make them "
            "with 'towertap bench' and 'towertap record --idle', or name their folder with --bench."
        )
    boxes = sorted({records.serial for records in bench.values()})
    if len(boxes) > 1:
        scale = 100 * max(max(records.scale_uncertainty) for records in bench.values())
        yield Caution(
            f"The captures are of {len(boxes)} boxes ({', '.join(boxes)}), whose scales are known to ±{scale:.2g} % "
            "each; no interval holds that.",
            Weight.WEAKENS,
        )
    if len({records.measured_utc["calibration"] for records in bench.values()}) > 1:
        yield Caution("Captures are read by different calibrations, whose difference is in the change.", Weight.WEAKENS)
    for name, records in bench.items():
        if records.selftest_ok is False:
            yield Caution(f"{name}: {records.words['selftest']}", Weight.WEAKENS)
