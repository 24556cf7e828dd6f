"""Imports: the capture says that no box made it and what was assumed; what is not clear is refused."""

from __future__ import annotations

import json

import h5py
import numpy as np
import pytest
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.errors import CallError, FileError
from towertap.exchange.imports import import_file
from towertap.exchange.imports.form import ImportOptions

from tests.by_hand import plain_counts
from tests.exchange.rides import SIX, G, acceleration, decisions, shaken, text_of


def test_the_capture_says_for_ever_that_it_is_imported(bring_in):
    times = np.arange(1000) / 200
    capture = bring_in(text_of(np.column_stack([times, shaken()]), "t (s),ax (m/s²),ay (m/s²),az (m/s²)"))
    assert capture.is_imported
    assert [*capture.layout.quantities] == ["acceleration"]
    assert capture.text("chip") == "not a box: another recorder"
    with h5py.File(capture.path) as file:  # with plain h5py
        assert int(file.attrs["layout"]) == -1
        assert "rotation_differences" not in file
        content = plain_counts(file, "acceleration") * file.attrs["acceleration_scale_ms2"]
        imported = json.loads(bytes(file.attrs["host"]))["imported"]
    assert content == pytest.approx(shaken(), abs=1e-6)
    assert imported["file"] == "recorded.csv"
    assert {"how": "found", "what": "the unit of acceleration is m/s², by the columns' names"} in imported["decisions"]


def test_check_says_what_it_cannot_prove(bring_in, run):
    still = np.tile([0.0, 0.0, G], (1000, 1)) + np.random.default_rng(2).normal(0, 0.01, (1000, 3))
    capture = bring_in(text_of(np.column_stack([np.arange(1000) / 200, still])), unit="m/s2")
    integrity = check(capture)
    assert integrity.sound
    assert not integrity.from_box
    judged = {rule.name: rule.ok for rule in integrity.rules}
    assert {name for name, ok in judged.items() if ok} == {"missing", "invalid", "stuck_axis", "gravity"}
    assert {ok for name, ok in judged.items() if name not in ("missing", "invalid", "stuck_axis", "gravity")} == {None}
    status, out, _ = run("check", capture.path)
    assert status == 0
    assert out.splitlines()[-1].startswith("sound as far as another recorder's file can show")
    assert "no second clock" in out


def test_the_same_file_and_options_make_the_same_capture(bring_in, tmp_path):
    content = text_of(np.column_stack([np.arange(1000) * 5.0, shaken()]))
    first = acceleration(bring_in(content, time_unit="ms"))
    kept = bring_in(content, time_unit="ms").origin
    import_file(tmp_path / "recorded.csv", tmp_path / "again.h5", ImportOptions(**kept.options))
    with open_capture(tmp_path / "again.h5") as again:
        assert np.array_equal(acceleration(again), first)


def test_only_an_import_of_the_same_file_is_replaced(make_capture, tmp_path, run, refused):
    loggers = [tmp_path / f"logger-{seed}.csv" for seed in (1, 2)]
    for seed, logger in enumerate(loggers):
        logger.write_text(text_of(np.column_stack([np.arange(300) / 200, shaken(300, seed)])))
    imported, of_box = tmp_path / "imported.h5", make_capture()
    assert run("import", loggers[0], "--out", imported)[0] == 0
    assert run("import", loggers[0], "--out", imported, "--part", "rubber")[0] == 0
    with open_capture(imported) as capture:
        assert capture.conditions.part == "rubber"
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(of_box.read_bytes()[:2000])
    for there in (imported, of_box, damaged):
        before = there.read_bytes()
        assert f"{there}: not an import of this file" in refused("import", loggers[1], "--out", there)
        assert there.read_bytes() == before


@pytest.mark.parametrize(
    ("content", "options", "says"),
    [
        (text_of(np.column_stack([np.arange(1000) / 200, shaken() * 3.3])), {}, "give --unit"),
        (text_of(shaken(), "ax,ay,az"), {}, "give --rate"),
        (text_of(np.zeros((300, 5)), "t,p,q,r,s"), {}, "name them x,y,z with --acceleration; there are p, q, r, s"),
        (text_of(np.zeros((300, 4))), {"acceleration": ("ax", "ay")}, "names 2 columns"),
        (text_of(np.zeros((300, 4))), {"acceleration": ("ax", "ay", "no")}, "no column is called 'no'"),
        (text_of(shaken(), "ax,ay,az"), {"rate_hz": 100.0, "unit": "furlongs"}, "is not a unit of acceleration"),
        (text_of(shaken(), "ax,ay,az"), {"rate_hz": 0.2, "unit": "m/s2"}, "is out of range"),
        (
            text_of(np.column_stack([np.arange(300) * 40.0, shaken(300)])),
            {"unit": "m/s2", "time_unit": "s"},
            "is out of range",
        ),
        (text_of(np.column_stack([np.arange(300) / 200, shaken(300) * 1e9])), {"unit": "g"}, "give another --unit"),
        (text_of(shaken() - [0, 0, G], "ax,ay,az"), {"rate_hz": 100.0, "unit": "1e-300"}, "give another --unit"),
        (
            text_of(np.column_stack([np.arange(300) / 200, shaken(300)[:, [0, 1, 2, 0, 1, 2]]]), SIX),
            {"rotation_unit": "1e-300"},
            "give another --unit or --rotation-unit",
        ),
        ("nothing here\n", {}, "is it a table of samples?"),
        (text_of(shaken(), "ax,ay,az").replace("\n", ",road\n"), {}, "Remove columns of words"),
        (text_of(np.zeros((300, 3)), "a,a,a 2"), {}, "two columns are called 'a 2'"),
        ("t,ax,ay,az\n" + 300 * "2026-05-04T10:00:00Z,0,0,1\n" + "2026-99-99T10:00:00Z,0,0,1\n", {}, "'2026-99-99T10"),
        ("", {}, "is it a table of samples?"),
    ],
)
def test_missing_information_is_asked_for(bring_in, content, options, says):
    with pytest.raises((CallError, FileError)) as refused:
        bring_in(content, **options)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("suffix", [".csv", ".wav", ".mat", ".mf4"])
@pytest.mark.parametrize(
    "content", [b"", b"\0" * 400, b"RIFF\x10\0\0\0WAVEfmt ", b"MDF     4.10    ", bytes(range(256)) * 9]
)
def test_a_file_without_samples_is_one_line_and_leaves_no_file(suffix, content, tmp_path, refused):
    path = tmp_path / f"broken{suffix}"
    path.write_bytes(content)
    err = refused("import", path)
    assert str(path) in err
    assert [*tmp_path.iterdir()] == [path]


def test_the_command_prints_every_decision(tmp_path, run, answer):
    path = tmp_path / "logger.csv"
    path.write_text(text_of(np.column_stack([np.arange(1000) / 200, shaken() / G])))
    words = ("import", path, "--part", "rubber", "--road", "bypass", "--pass", "1", "--mounting", "x=+X,y=+Y,z=+Z")
    status, out, err = run(*words)
    assert (status, err) == (0, "")
    *settled, summary = out.splitlines()
    assert {line.split()[0] for line in settled} == {"found", "assumed"}
    assert "1000 samples on 3 axes, 5.0 s at 200.000 Hz, gaps 0, clipped 0; not from a box" in summary
    data = answer(*words)
    assert [entry["what"] for entry in data["decisions"]] == [line[8:] for line in settled]
    other = tmp_path / "notes.h5"
    other.write_text("my notes")
    status, _, err = run(*words, "--out", other)
    assert (status, "not replaced" in err, other.read_text()) == (2, True, "my notes")


def test_flat_tops_are_counted_as_clipping_and_the_capture_is_not_sound(bring_in, run):
    ride = np.clip((shaken(4000) - [0, 0, G]) * 4 + [0, 0, G], -2 * G, 2 * G)
    capture = bring_in(text_of(np.column_stack([np.arange(4000) / 200, ride])), unit="m/s2")
    clipped = np.abs(ride) >= 2 * G
    assert capture.origin.clipped == tuple(clipped.sum(axis=0))
    integrity = check(capture)
    assert integrity.clipped_samples == clipped.any(axis=1).sum()
    assert any("clipped" in reason for reason in integrity.reasons)
    assert acceleration(capture) == pytest.approx(ride, abs=1e-6)  # counted, never changed
    assert any("flat at the very extreme" in what for what in decisions(capture, "found"))
    assert run("check", capture.path)[0] == 1


def test_with_a_known_range_clipping_is_judged(bring_in):
    content = text_of(np.column_stack([np.arange(1000) / 200, shaken() / G]))
    (unknown,) = (rule for rule in check(bring_in(content, unit="g")).rules if rule.name == "clipping")
    assert (unknown.ok, "not known" in unknown.text) == (None, True)
    (known,) = (rule for rule in check(bring_in(content, unit="g", largest=16.0)).rules if rule.name == "clipping")
    assert (known.ok, known.value) == (True, 0)
    beyond = int((np.abs(shaken()) >= 1.2 * G).any(axis=1).sum())
    assert check(bring_in(content, unit="g", largest=1.2)).clipped_samples == beyond > 0


def test_an_import_that_was_corrected_or_struck_out_is_not_replaced(tmp_path, run, refused):
    logger, capture = tmp_path / "logger.csv", tmp_path / "k.h5"
    logger.write_text(text_of(np.column_stack([np.arange(300) / 200, shaken(300)])))
    for change in (("drop", capture, "--reason", "traffic"), ("correct", capture, "--part", "rubber")):
        capture.unlink(missing_ok=True)
        for words in (("import", logger, "--out", capture), change):
            assert run(*words)[0] == 0
        changed = capture.read_bytes()
        assert "'towertap correct'" in refused("import", logger, "--out", capture)
        assert capture.read_bytes() == changed


def test_an_import_makes_no_bench_record(tmp_path, run, refused):
    logger = tmp_path / "logger.csv"
    logger.write_text(text_of(np.column_stack([np.arange(3000) / 200, shaken(3000)])))
    assert run("import", logger)[0] == 0
    for kind in ("noise", "tap"):
        assert "imported from another recorder" in refused("bench", kind, tmp_path / "logger.h5")
    assert "imported from another recorder" in refused("bench", "tumble", *[tmp_path / "logger.h5"] * 6)


def test_the_command_says_what_the_pass_still_lacks(tmp_path, run, refused):
    logger = tmp_path / "logger.csv"
    logger.write_text(text_of(np.column_stack([np.arange(300) / 200, shaken(300)])))
    assert "Not given: --road and --pass" in run("import", logger, "--part", "rubber")[1]
    assert "does not say its road: give --road to 'towertap correct'" in run("list", tmp_path)[1]
    assert "Not given" not in run("import", logger, "--part", "rubber", "--road", "bypass", "--pass", 1)[1]
    assert "a folder" in refused("import", tmp_path, "--out", tmp_path / "k.h5")
