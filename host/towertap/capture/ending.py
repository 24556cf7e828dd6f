"""Determines how a recording ended, from the recorder's sidecar and the box's bye."""

from collections.abc import Mapping
from typing import Any

from towertap.capture.conditions import Ending, Sidecar
from towertap.doors.structured import typed
from towertap.errors import FileError

OLDER_ENDINGS = {"complete": Ending.COMPLETE, "stopped by the user": Ending.STOPPED}
"""What `ended` says in sidecars older than `ending`; any other text means broken off."""
CUT_AFTERWARDS = (
    "the sidecar says that the recording ended well, but the box's goodbye is missing: the raw recording was cut "
    "afterwards; copy it again from where it was recorded and decode it"
)


def ending_of(host: Mapping[str, Any], bye: str) -> tuple[Ending, str]:
    """How a recording ended and why, from the sidecar's keys and the box's bye (empty if none came)."""
    try:
        sidecar: Sidecar = typed(host, Sidecar, "host")
    except FileError:
        sidecar = Sidecar()
    ending = sidecar.ending
    if ending is None and sidecar.ended:
        ending = OLDER_ENDINGS.get(sidecar.ended, Ending.BROKEN_OFF)
    if ending is None and bye:
        return Ending.STOPPED, "the box said goodbye; the intended length is not known"
    if ending is None:
        return Ending.BROKEN_OFF, "the box never said goodbye"
    if ending is not Ending.BROKEN_OFF and not bye:
        return Ending.BROKEN_OFF, CUT_AFTERWARDS
    intended = "" if sidecar.seconds is None else f" ({sidecar.seconds:g} s were asked for)"
    return ending, sidecar.ended + (intended if ending is Ending.BROKEN_OFF else "")
