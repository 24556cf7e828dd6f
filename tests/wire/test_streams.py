"""The conformance streams: the decoder reads each as the page says, and a simulated box sends its own again."""

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.wire.decoder import Decoder

from tests.wire import make_streams

FOLDER = Path(__file__).parents[2] / "example_captures" / "streams"
NAMES = sorted(path.stem for path in FOLDER.glob("*.bin"))


def reading(stream, folder):
    """The package's reading of a stream, in the form of its JSON file."""
    decoder = Decoder()
    runs = [*decoder.feed(stream), *decoder.finish()]
    frames = [
        [int(offset), *(int(header[name]) for name in ("type", "sequence", "count"))]
        for run in runs
        for header, offset in zip(run.headers, run.offsets, strict=True)
    ]
    raw = folder / "stream.ttraw"
    raw.write_bytes(stream)
    with open_capture(decode_raw(raw, folder / "stream.h5")) as capture:
        n = capture.n_samples
        ends = [
            [*capture.counts("acceleration", k, k + 1)[0], *capture.counts("rotation", k, k + 1)[0]] for k in (0, n - 1)
        ]
        gaps = [
            [row, None if missing < 0 else missing, reason.decode()]
            for row, missing, reason, _ in capture.gaps.tolist()
        ]
        return {
            "frames": frames,
            "skipped_bytes": decoder.damage.skipped_bytes,
            "unknown_frames": int(capture.file.attrs["unknown_frames"]),
            "samples": n,
            "first_and_last_sample": [[int(value) for value in sample] for sample in ends],
            "gaps": gaps,
            "lost_messages": [[row, messages] for row, messages, _ in capture.table("lost_messages").tolist()],
        }


@pytest.mark.parametrize("name", NAMES)
def test_the_decoder_reads_each_stream_as_the_page_says(name, tmp_path):
    expected = json.loads((FOLDER / f"{name}.json").read_text("utf-8"))
    now = reading((FOLDER / f"{name}.bin").read_bytes(), tmp_path)
    assert now == {key: expected[key] for key in now}


def test_the_folder_has_what_its_script_makes_and_stays_small():
    for name, make in make_streams.BY_HAND.items():
        assert (FOLDER / f"{name}.bin").read_bytes() == make(), name
    assert set(NAMES) == {*make_streams.BY_HAND, *make_streams.BY_THE_FIRMWARE}
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 300_000


@pytest.mark.parametrize("name", make_streams.BY_THE_FIRMWARE)
def test_the_simulated_box_sends_it_again(name):
    """Times of day and the boot id differ; samples, losses and the types of the answers do not."""
    expected = json.loads((FOLDER / f"{name}.json").read_text("utf-8"))
    stream = make_streams.from_the_firmware(**make_streams.BY_THE_FIRMWARE[name])
    now = make_streams.plain_reading(stream)
    for key in ("skipped_bytes", "unknown_frames", "samples", "first_and_last_sample", "gaps", "lost_messages"):
        assert now[key] == expected[key], key
    kinds = [sorted(frame[1] for frame in reading_of["frames"]) for reading_of in (now, expected)]
    assert kinds[0] == kinds[1]


@given(data=st.data())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_lost_two_readers_of_the_page_agree(data, tmp_path):
    """Sample frames of any size, messages, overflows and restarts, any of which may be lost."""
    box, frames = make_streams.Box(), []
    frames.append(box.hello())
    for _ in range(data.draw(st.integers(2, 25))):
        what = data.draw(
            st.sampled_from(["samples"] * 6 + ["message", "unknown", "overflow", "reset", "hello", "again"])
        )
        if what == "samples":
            frames.append(box.samples())
        elif what == "message":
            frames.append(box.frame(data.draw(st.sampled_from([3, 4, 5])), b"{}"))
        elif what == "unknown":
            frames.append(box.frame(200))
        elif what == "overflow":
            box.lose(data.draw(st.integers(0, 9)))
            frames.append(box.samples(flags=data.draw(st.sampled_from([0, 1, 3, 4, 6]))))
        elif what == "reset":
            box = make_streams.Box(boot_id=f"{len(frames):08x}", clock_us=data.draw(st.sampled_from([0, 10**6])))
            frames.append(box.hello())
        elif what == "hello":
            frames.append(box.hello())
        else:
            box.sample = 0
            frames.append(box.hello())
    frames += [box.samples(), box.bye()]
    kept = data.draw(
        st.sets(st.integers(1, len(frames) - 3), max_size=8).map(lambda lost: set(range(len(frames))) - lost)
    )
    stream = b"".join(frame for k, frame in enumerate(frames) if k in kept)
    expected = make_streams.plain_reading(stream)
    now = reading(stream, tmp_path)
    assert now == {key: expected[key] for key in now}
