"""ASAM MDF 4: one channel group with time as master and one channel per axis, with units; a gap is one NaN."""

import json
from contextlib import redirect_stdout
from datetime import UTC
from io import StringIO
from pathlib import Path

from towertap.doors.times import instant
from towertap.exchange.samples import Samples


def write(samples: Samples, path: Path) -> None:
    """Write block by block into asammdf's temporary file, then save it; metadata are the header's comment."""
    from asammdf import MDF, Signal

    with MDF(version="4.10") as file:
        start = instant(samples.metadata["start_utc"])
        if start:
            file.start_time = start.astimezone(UTC)
        file.header.comment = json.dumps(samples.metadata, ensure_ascii=False)
        for number, (time_s, values) in enumerate(samples.blocks()):
            if number:
                file.extend(0, [(time_s, None), *((column, None) for column in values.T)])
            else:
                signals = [
                    Signal(values[:, k], time_s, unit=column.unit, name=column.name)
                    for k, column in enumerate(samples.columns)
                ]
                file.append(signals, comment=samples.metadata["axes_in_words"], common_timebase=True)
        # given a path, asammdf would change the suffix; what it prints must stay off standard output
        with path.open("wb") as unfinished, redirect_stdout(StringIO()):
            file.save(unfinished)
