"""A long recording in real time through a pseudo-terminal whose reader sometimes stalls: every loss is known.

    python -m tests.box.long_real_time --hours 2 --stall 20 --every 600

The simulated box blocks while nobody reads, and its virtual time seems to stand still meanwhile: 8 stalls of 20 s cost
no sample. So this shows that box and recorder go on and do not grow, not what an overflow of a real chip would cost.
"""

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
from towertap.box.port import SerialBox, open_box
from towertap.box.recorder import record
from towertap.box.simulated import SimulatedBox
from towertap.capture.conditions import Conditions
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture


def stalling(read, stall_s, every_s):
    """`SerialBox.read` that does not read for `stall_s` each `every_s`."""
    began_s, stalls = time.monotonic(), []

    def stalled(box):
        if time.monotonic() > began_s + every_s * (len(stalls) + 1):
            stalls.append(time.monotonic())
            time.sleep(stall_s)
        return read(box)

    return stalled, stalls


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--stall", type=float, default=20.0, help="s")
    parser.add_argument("--every", type=float, default=600.0, help="s")
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    folder = options.out or Path(tempfile.mkdtemp(prefix="towertap-long-"))
    seconds = options.hours * 3600
    memory_mb = []

    def watch(recording):
        if len(memory_mb) < recording.live.seconds / 60:
            memory_mb.append(int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6)

    with SimulatedBox(None, realtime=True, oscillator_ppm=8200.0, crystal_ppm=-14.0) as simulated:
        with open_box(simulated.port) as box:
            used_s = -time.process_time()
            SerialBox.read, stalls = stalling(SerialBox.read, options.stall, options.every)
            recording = record(box, folder / "long.ttraw", Conditions(), seconds=seconds, on_progress=watch)
            used_s += time.process_time()
        complaints = simulated.complaints()
    with open_capture(decode_raw(recording.raw_path, folder / "long.h5")) as capture:
        integrity = check(capture)
        frames = capture.frames
    print(f"{recording.ending}: {recording.ended}; {len(stalls)} stalls; chip: {complaints or 'no complaints'}")
    print(
        f"{integrity.samples} samples, {integrity.missing_samples} missing in {len(integrity.gaps)} gaps, "
        f"{integrity.bad_frames} bad frames, {integrity.lost_messages} messages lost"
    )
    print("gaps:", [(gap["missing"], gap["reason"], round(gap["at_s"] or 0, 1)) for gap in integrity.gaps][:30])
    expected_hz = 4000 * 1.0082 / (1 - 14e-6)
    print(
        f"rate {integrity.rate_hz:.4f} Hz, off by {(integrity.rate_hz / expected_hz - 1) * 1e6:.2f} ppm; "
        f"jitter {integrity.jitter_us:.1f} µs"
    )
    elapsed_s = (int(frames["clock_us"][-1]) - int(frames["clock_us"][0])) / 1e6
    counted = int(frames["first_sample"][-1]) - int(frames["first_sample"][0])
    print(f"counter against clock over the whole: off by {counted - elapsed_s * integrity.rate_hz:.1f} samples")
    rate_kb = recording.raw_path.stat().st_size / seconds / 1000
    print(f"{rate_kb:.0f} kB/s; the recorder used {100 * used_s / seconds:.1f} % of a core")
    print(f"memory {memory_mb[:1]} … {memory_mb[-1:]} MB, most {max(memory_mb):.0f}; sound: {integrity.sound}")
    for rule in integrity.rules:
        if rule.ok is False:
            print("not:", rule.text)
    assert np.all(np.diff(frames["clock_us"]) > 0)


if __name__ == "__main__":
    main()
