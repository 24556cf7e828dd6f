"""What is fuzzed: for each kind of file the code that reads it, and sound files to begin with.

A target takes any bytes. It may say in one line what is wrong with them; it may not do anything else.
"""

import io
import json
import os
import shutil
import sys
import tempfile
from contextlib import redirect_stderr, redirect_stdout, suppress
from pathlib import Path
from unittest.mock import patch

import numpy as np
from towertap.archive.record import read_record, seal
from towertap.archive.store import listing
from towertap.capture.conditions import read_sidecar, sidecar_path
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.capture.speed_log import read_speed_log
from towertap.cli import main
from towertap.compare.plan.plan import read_plan
from towertap.errors import TowertapError
from towertap.wire.decoder import Decoder

from tests import plans

EXAMPLES = Path(__file__).parents[2] / "example_captures"
PLACE = Path(tempfile.mkdtemp(prefix="towertap-fuzz-"))


OBEYED = {chr(code) for code in (*range(0x0A), *range(0x0B, 0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F))}
"""What a terminal would obey instead of showing it; a line end is no part of it."""


def _command(*words, settings_file=PLACE / "none.toml"):
    """A command as a person calls it: status 0, 1 or, in one line, 2, and nothing that rewrites a screen."""
    out, err = io.StringIO(), io.StringIO()
    with (
        patch.object(sys, "argv", ["towertap", *map(str, words)]),
        patch.dict(os.environ, {"TOWERTAP_SETTINGS": str(settings_file)}),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as ended:
            status = ended.code
    said = out.getvalue() + err.getvalue()
    assert status in (0, 1, 2), (words, status, said)
    assert status != 2 or (not out.getvalue() and err.getvalue().count("\n") == 1), (words, said)
    assert not OBEYED & set(said), (words, said)


def _file(name, data):
    path = PLACE / name
    path.write_bytes(data)
    return path


def stream(data: bytes) -> None:
    """The decoder, in two portions."""
    decoder = Decoder()
    for frames in (*decoder.feed(data[: len(data) // 2]), *decoder.feed(data[len(data) // 2 :]), *decoder.finish()):
        if frames.layout:
            frames.counts()
        for frame in frames.singly():
            frame.text, frame.data  # noqa: B018 - they must not fail


def raw(data: bytes) -> None:
    """A raw recording, decoded and checked."""
    path = decode_raw(_file("fuzz.ttraw", data), PLACE / "fuzz.h5")
    with open_capture(path) as capture:
        check(capture)
        capture.pieces()


def capture(data: bytes) -> None:
    """A capture, opened, checked and read."""
    with open_capture(_file("given.h5", data)) as opened:
        check(opened)
        for piece in opened.pieces():
            for _ in opened.blocks(piece):
                pass


def sidecar(data: bytes) -> None:
    """The conditions and clock readings beside a raw recording."""
    path = PLACE / "side.ttraw"
    sidecar_path(path).write_bytes(data)
    read_sidecar(path)
    path.write_bytes((EXAMPLES / "streams" / "whole.bin").read_bytes())
    with open_capture(decode_raw(path, PLACE / "side.h5")) as opened:
        check(opened)


def csv(data: bytes) -> None:
    """A speed log."""
    read_speed_log(_file("log.csv", data))


def gpx(data: bytes) -> None:
    """A track."""
    read_speed_log(_file("log.gpx", data))


def plan(data: bytes) -> None:
    """A plan of drives."""
    read_plan(_file("plan.json", data))


def record(data: bytes) -> None:
    """An archive's record and index."""
    archive = PLACE / "archive"
    (archive / "drive").mkdir(parents=True, exist_ok=True)
    (archive / "drive" / "record.json").write_bytes(data)
    (archive / "index.json").write_bytes(data)
    with suppress(TowertapError):
        read_record(archive / "drive")
    listing(archive)


def listed(data: bytes) -> None:
    """A capture in a folder of drives: listed, corrected, struck out and taken back, brought out in other formats."""
    folder = PLACE / "drives"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    path = folder / "drive.h5"
    path.write_bytes(data)
    _command("list", folder)
    _command("export", path, "--to", ".csv", "--chip-axes")
    _command("export", path, "--to", ".npz", "--counts")
    _command("correct", path, "--road", "lane", "--speed", "40 km/h")
    _command("drop", path, "--reason", "gave way")
    _command("drop", path, "--undo")
    _command("list", folder, "--json")


def amended(data: bytes) -> None:
    """The sidecar of a recording that is listed, corrected and struck out, and what was noted of values seen."""
    folder = PLACE / "amended"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "drive.h5").write_bytes(_captures()[0])
    for name in ("drive.conditions.json", "later.conditions.json", "values_seen.json"):
        (folder / name).write_bytes(data)
    (folder / "later.ttraw").write_bytes(b"")
    _command("correct", folder / "drive.h5", "--road", "lane")
    _command("drop", folder / "drive.h5", "--reason", "gave way")
    _command("list", folder)


def analysed(data: bytes) -> None:
    """A capture, analysed, drawn and listened to."""
    path = _file("analysed.h5", data)
    _command("show", path)
    _command("analyse", path, "--out", PLACE / "windows.csv")
    _command("listen", path, path, "--out", PLACE / "sound.wav", "--seconds", 0.5, "--at", 1, "--after-at", 2)


def settings(data: bytes) -> None:
    """The file of settings."""
    path = _file("settings.toml", data)
    _command("settings", settings_file=path)
    _command("export", PLACE / "nothing.h5", "--to", ".csv", settings_file=path)


def _imported(suffix, data, *words):
    (PLACE / "imported.h5").unlink(missing_ok=True)
    _command("import", _file(f"other{suffix}", data), "--out", PLACE / "imported.h5", *words)


def import_csv(data: bytes) -> None:
    """Another recorder's table."""
    _imported(".csv", data)


def import_wav(data: bytes) -> None:
    """Another recorder's WAV."""
    _imported(".wav", data, "--full-scale", 4, "--unit", "g")


def import_mat(data: bytes) -> None:
    """Another recorder's MAT-file."""
    _imported(".mat", data)


def import_mdf(data: bytes) -> None:
    """Another recorder's MDF."""
    _imported(".mf4", data)


READERS = (stream, raw, capture, sidecar, csv, gpx, plan, record)
COMMANDS = (listed, amended, analysed, settings, import_csv, import_wav, import_mat, import_mdf)
SLOW = ("import_mat", "import_mdf")
"""These are read in a process of their own, which loads a large library each time."""
TARGETS = {target.__name__: target for target in (*READERS, *COMMANDS)}


def run(name: str, data: bytes) -> None:
    """Run a target: a TowertapError of one line is an answer, anything else that is raised is a bug."""
    line = ""
    try:
        TARGETS[name](data)
    except TowertapError as error:
        line = str(error)
    assert "\n" not in line
    assert len(line) < 2000


def seeds(name: str) -> list[bytes]:
    """Sound files of a kind, to begin with, and the regressions of its corpus."""
    corpus = sorted((Path(__file__).parent / "corpus" / name).glob("*"))
    return [*SOUND[name](), *(path.read_bytes() for path in corpus)]


def _streams():
    return [path.read_bytes() for path in sorted((EXAMPLES / "streams").glob("*.bin")) if path.stat().st_size < 3000]


def _captures():
    made = decode_raw(_file("seed.ttraw", (EXAMPLES / "streams" / "firmware.bin").read_bytes()), PLACE / "seed.h5")
    return [made.read_bytes()]


def _plans():
    return [json.dumps(plans.plan().to_dict()).encode()]


def _records():
    sums = {"bytes": 3, "sha256": "00"}
    content = {"format": 1, "name": "drive", "raw": sums, "files": {"raw.ttraw.gz": sums, "capture.h5": sums}}
    content |= {"conditions": {}, "started_utc": "", "schema_version": "2.0", "host": "", "firmware": "", "samples": 1}
    return [seal({**content, "seconds": 1.0}), seal([{**content, "seconds": 1.0}])]


def _other(suffix):
    """A file of another recorder, as a library of its kind writes it."""
    from asammdf import MDF, Signal
    from scipy.io import savemat, wavfile

    time_s, path = np.arange(50) / 100, PLACE / f"seed{suffix}"
    motion = np.random.default_rng(1).normal([0, 0, 9.8], 1, (50, 3))
    if suffix == ".wav":
        wavfile.write(path, 100, np.rint(motion * 1000).astype(np.int16))
    elif suffix == ".mat":
        savemat(path, {"t": time_s, "ax": motion[:, 0], "ay": motion[:, 1], "az": motion[:, 2]})
    elif suffix == ".mf4":
        signals = [Signal(axis, time_s, name=name, unit="m/s²") for name, axis in zip("xyz", motion.T, strict=True)]
        with MDF(version="4.10") as file:
            file.append(signals)
            file.save(path, overwrite=True)
    else:
        np.savetxt(path, np.column_stack([time_s, motion]), delimiter=",", header="t,ax,ay,az", comments="")
    return [path.read_bytes()]


TRACK = (
    '<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    + "".join(
        f'<trkpt lat="50.{k:04d}" lon="7"><time>2026-05-04T09:30:{k:02d}Z</time><speed>9.5</speed></trkpt>'
        for k in range(5)
    )
    + "</trkseg></trk></gpx>"
)

SOUND = {
    "stream": _streams,
    "raw": _streams,
    "capture": _captures,
    "sidecar": lambda: [next(EXAMPLES.glob("*.conditions.json")).read_bytes()],
    "csv": lambda: [b"time_utc,speed_kmh\n2026-05-04T09:30:00Z,36\n2026-05-04T09:30:01Z,37\n"],
    "gpx": lambda: [TRACK.encode()],
    "plan": _plans,
    "record": _records,
    "listed": _captures,
    "amended": lambda: [next(EXAMPLES.glob("*.conditions.json")).read_bytes(), b'{"00ff": "2026-05-04T09:00:00Z"}'],
    "analysed": lambda: [(EXAMPLES / "quarry-lane_rubber-bush_pass01.h5").read_bytes()],
    "settings": lambda: [b'units = "g"\nmargin = 8\narchive = "~/drives"\nsounds = false\n'],
    "import_csv": lambda: _other(".csv"),
    "import_wav": lambda: _other(".wav"),
    "import_mat": lambda: _other(".mat"),
    "import_mdf": lambda: _other(".mf4"),
}
"""Name of a target → what makes its sound files."""


def peak_mb() -> float:
    """The most memory that this process or one that it started has had, in MB."""
    import resource

    most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return most / (1024 if os.uname().sysname == "Linux" else 2**20)
