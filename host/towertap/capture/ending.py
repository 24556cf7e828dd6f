"""How a recording ended: by the recorder's word and the box's bye, or by the bye alone where nobody else tells."""

from collections.abc import Mapping
from typing import Any

from towertap.capture.conditions import Ending, Sidecar
from towertap.doors.structured import typed
from towertap.errors import FileError

OF_OLDER_SIDECARS = {"complete": Ending.COMPLETE, "stopped by the user": Ending.STOPPED}
"""What a recorder wrote in `ended` before there was `ending`; anything else was a recording that broke off."""


def ending_of(host: Mapping[str, Any], bye: str) -> tuple[Ending, str]:
    """How a recording ended, and why, in words, by what its host knew and the box's last word (empty: none came)."""
    try:
        sidecar: Sidecar = typed(host, Sidecar, "host")
    except FileError:
        sidecar = Sidecar()
    ending = sidecar.ending
    if ending is None and sidecar.ended:
        ending = OF_OLDER_SIDECARS.get(sidecar.ended, Ending.BROKEN_OFF)
    if ending is None and bye:
        return Ending.STOPPED, "the box said goodbye, and nobody tells how long the recording was to be"
    if ending is None:
        return Ending.BROKEN_OFF, "the box never said goodbye"
    if ending is not Ending.BROKEN_OFF and not bye:
        return Ending.BROKEN_OFF, CUT_AFTERWARDS
    asked = "" if sidecar.seconds is None else f" ({sidecar.seconds:g} s were asked for)"
    return ending, sidecar.ended + (asked if ending is Ending.BROKEN_OFF else "")


CUT_AFTERWARDS = (
    "the sidecar says that the recording ended well, but the box's goodbye is not there: the raw recording was cut "
    "afterwards; copy it again from where it was recorded and decode it"
)
