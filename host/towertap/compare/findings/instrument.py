"""What the bench records say of the instrument behind a comparison: noise, bands, missing records."""

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
    """The largest share in any pass's value of what is not the road; None if nothing is known of it.

    That is the sensor's own noise, or the `engine` in every pass. An unrecorded engine counts only if it may matter.
    """
    noise = {drive.name: drive.noise[metric] for drive in passes if metric in drive.noise}
    pairs = ((floor, value) for value in values for floor in (noise.get(value.capture), engine))
    shares = [floor.over(value.value) for floor, value in pairs if floor]
    relevant = (share for share in shares if (share.of, share.judged) != ("unrecorded", "clean"))
    return max(relevant, key=lambda share: (share.drowns, share.share), default=None)


def engine_share(passes: Sequence[Pass], metric: Metric) -> Share | None:
    """What the idling engine may contribute to a metric in each of these passes, the smooth road's included.

    As recorded idling or standing, in the pass with the most; only for an r.m.s., since other metrics have each pass's
    own. Without either, at most all of the quietest pass. None if a record shows less than the sensor's noise.
    """
    shares = [drive.noise[metric.name] for drive in passes if metric.name in drive.noise]
    if recorded := [share for share in shares if share.of != "sensor"]:
        return max(recorded, key=lambda share: share.floor) if metric.statistic is RMS else None
    if any(drive.bench and drive.bench.measured_utc["idle"] for drive in passes):
        return None
    quietest = min(metric.of_all(drive.kept[metric.name]) for drive in passes)
    return Share(metric.name, quietest, metric.unit, 1.0, "marked", "unrecorded")


def noise_cautions(noise: Share | None, margin: float, hangs_on_engine: bool) -> Iterator[Caution]:
    """Warn of a known noise between a tenth and half of a finding's power, or of an engine that decides.

    `hangs_on_engine`: a statement would have a verdict if the unrecorded engine were known.
    """
    if noise is None or noise.judged != "marked":
        return
    part = f"up to {100 * noise.share:.0f} % of a pass's power"
    if noise.of != "unrecorded":
        yield Caution(
            f"{sentence_case(part)} is {noise.source} (limit {100 * MARKED_SHARE:.0f} %), the same with either part: "
            "the true change is larger than the measured one, and the margin is narrowed accordingly."
        )
    elif hangs_on_engine:
        yield Caution(
            f"The engine was not recorded idling: {part} may come from it, and hide a change of more than "
            f"{100 * margin:g} %.",
            Weight.OVERTURNS,
            RECORD_IDLE,
        )


def mounting_cautions(metric: str, passes: Sequence[Pass]) -> Iterator[Caution]:
    """Each way in which a metric reaches above what the mounting transmits."""
    for reason in dict.fromkeys(drive.beyond[metric] for drive in passes if metric in drive.beyond):
        yield Caution(f"{sentence_case(reason)}; above that the mounting resonates.")


def cautions(bench: Mapping[str, BenchSummary]) -> Iterator[Caution]:
    """By capture name: missing records, differing boxes and calibrations, chips that failed their self-test."""
    without = defaultdict(list)
    for kind in KINDS:
        if missing := tuple(name for name, records in bench.items() if records.measured_utc[kind] is None):
            without[missing].append(kind)
    for names, kinds in without.items():
        captures = (
            f"all {len(bench)} captures" if len(names) == len(bench) else f"{len(names)} of {len(bench)} captures"
        )
        yield Caution(
            f"Missing for {captures}: bench records of {listed(kinds)}. Make them with 'towertap bench' and 'towertap "
            "record --idle', or name their folder with --bench."
        )
    boxes = sorted({records.serial for records in bench.values()})
    if len(boxes) > 1:
        scale = 100 * max(max(records.scale_uncertainty) for records in bench.values())
        yield Caution(
            f"The captures are of {len(boxes)} boxes ({', '.join(boxes)}), whose scales are known to ±{scale:.2g} % "
            "each; no interval includes that.",
            Weight.WEAKENS,
        )
    if len({records.measured_utc["calibration"] for records in bench.values()}) > 1:
        yield Caution("Calibrations differ between captures; the change includes their difference.", Weight.WEAKENS)
    for name, records in bench.items():
        if records.selftest_ok is False:
            yield Caution(f"{name}: {records.words['selftest']}", Weight.WEAKENS)
