"""The folder pipeline's machinery, with a stand-in for the measurement."""

from __future__ import annotations

import csv
import json
import logging
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from distributed import LocalCluster

from edgeqc.errors import OutputError, SheetError, UsageError
from edgeqc.folder import FolderEvent, FolderRequest, run_folder
from edgeqc.folder_settings import FolderSettings
from edgeqc.result_store import ResultStore, open_store

HERE = Path(__file__).parent
SETTINGS = FolderSettings(workers=1, time_limit_s=30.0, memory_limit_mb=1024)
PROTOCOL = HERE / "bench_protocol.toml"
TABLES = ("images.csv", "faces.csv", "run.xlsx", "index.html")


@pytest.fixture(autouse=True)
def _reachable(monkeypatch, tmp_path):
    monkeypatch.setenv("PYTHONPATH", str(HERE))
    (tmp_path / "marks").mkdir()
    monkeypatch.setenv("FAKE_MARKS", str(tmp_path / "marks"))


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "pictures"
    made.mkdir()
    return made


def fill(folder, **pictures):
    for name, text in pictures.items():
        path = folder / f"{name}.tif"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


def run(folder, out, **kwargs):
    kwargs.setdefault("settings", SETTINGS)
    kwargs.setdefault("protocol", PROTOCOL)
    return run_folder(FolderRequest(folder, out, examiner="fake_examiner:examine", **kwargs))


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def measured(tmp_path):
    return {path.name: len(path.read_text()) for path in (tmp_path / "marks").iterdir()}


def bytes_of(out, names=TABLES):
    return {name: (out / name).read_bytes() for name in names}


def test_a_run_writes_every_table_and_leaves_nothing_aside(tmp_path, folder):
    fill(folder, b="ok 12345", a="print hello", c="refuse")
    events: list[FolderEvent] = []
    result = run(folder, tmp_path / "out", report=events.append)
    rows = table(tmp_path / "out" / "images.csv")
    assert [(row["image"], row["status"]) for row in rows] == [
        ("a.tif", "measured"), ("b.tif", "measured"), ("c.tif", "failed")]
    assert "holds no picture" in rows[2]["reason"]
    assert [row["image"] for row in table(tmp_path / "out" / "faces.csv")] == ["a.tif", "b.tif"]
    assert result.exit_code == 1
    assert result.problems[0].startswith("c.tif: failed:")
    assert [e.kind for e in events] == ["planned", "finished", "finished", "problem", "finished"]
    assert sum(e.pictures for e in events if e.kind == "finished") == events[0].pictures == 3
    counts = json.loads((tmp_path / "out" / "run.json").read_text())["counts"]
    assert (counts["pictures"], counts["pictures_failed"], counts["faces"]) == (3, 1, 2)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "a", "b", "c", "faces.csv", "images.csv", "index.html", "problems.log", "run.json",
        "run.xlsx"]
    assert not list((tmp_path / "out").rglob("half.txt"))


def test_everything_well_is_exit_code_0(tmp_path, folder):
    fill(folder, a="ok", b="ok")
    assert run(folder, tmp_path / "out").exit_code == 0
    assert not (tmp_path / "out" / "problems.log").exists()


@pytest.mark.parametrize(("word", "says", "tries"), [
    ("crash", "SIGSEGV", 2), ("exit", "exit status 3", 2), ("killed", "killed from outside", 2),
    ("sleep 60", "longer than the limit of 2 s", 1), ("memory", "more memory", 1),
    ("raise", "unexpected RuntimeError", 1),
])
def test_a_bad_picture_costs_its_own_row_only(tmp_path, folder, word, says, tries):
    fill(folder, a="ok", bad=word, c="ok")
    limit_s = 2.0 if word.startswith("sleep") else 30.0
    settings = FolderSettings(workers=1, time_limit_s=limit_s, memory_limit_mb=1024)
    result = run(folder, tmp_path / "out", settings=settings)
    assert {row["image"]: row["status"] for row in result.images} == {
        "a.tif": "measured", "bad.tif": "failed", "c.tif": "measured"}
    assert says in result.images[1]["reason"]
    assert measured(tmp_path) == {"a.tif": 1, "bad.tif": tries, "c.tif": 1}
    assert not list((tmp_path / "out" / "bad").rglob("half.txt"))
    text = (tmp_path / "out" / "problems.log").read_text()
    assert str(tmp_path) not in text
    if word == "raise":
        assert "fake_examiner.py" in text
        assert "RuntimeError: no luck with pictures/bad.tif" in text


def test_one_bad_picture_of_a_specimen_leaves_the_others(tmp_path, folder):
    fill(folder, a="ok", bad="crash", c="ok", d="ok")
    sheet = "image,specimen\n" + "".join(f"{n}.tif,S 1\n" for n in ("a", "bad", "c", "d"))
    (folder / "specimens.csv").write_text(sheet)
    result = run(folder, tmp_path / "out")
    assert [row["status"] for row in result.images] == [
        "measured", "failed", "measured", "measured"]
    assert "SIGSEGV" in result.images[1]["reason"]
    assert {row["specimen"] for row in result.images} == {"S 1"}
    assert (tmp_path / "out" / "S 1" / "report.html").is_file()


def test_a_picture_whose_process_was_killed_is_tried_again(tmp_path, folder):
    fill(folder, a="ok", b=f"killed-once {tmp_path / 'once'}", c="ok")
    result = run(folder, tmp_path / "out")
    assert [row["status"] for row in result.images] == ["measured"] * 3
    assert measured(tmp_path) == {"a.tif": 1, "b.tif": 2, "c.tif": 1}


# --- workers --------------------------------------------------------------------------------------


def test_tables_do_not_depend_on_the_number_of_workers(tmp_path, folder):
    fill(folder, **{f"p{i:02d}": "sleep 0.01" for i in range(12)}, bad="refuse", no="exit")
    run(folder, tmp_path / "one")
    result = run(folder, tmp_path / "two", workers=2)
    assert result.exit_code == 1
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "two")
    assert measured(tmp_path)["p00.tif"] == 2


def test_a_running_scheduler_gives_the_same_bytes(tmp_path, folder):
    fill(folder, a="faces 1", b="refuse", c="faces 2")
    run(folder, tmp_path / "one")
    with LocalCluster(n_workers=1, threads_per_worker=1, processes=True, memory_limit=0,
                      dashboard_address=None, silence_logs=logging.CRITICAL) as cluster:
        result = run(folder, tmp_path / "two", cluster=cluster.scheduler_address)
    assert result.exit_code == 1
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "two")


def test_a_scheduler_that_does_not_answer_is_wrong_usage(tmp_path, folder, monkeypatch):
    monkeypatch.setattr("edgeqc.folder_workers.CONNECT_LIMIT_S", 1)
    fill(folder, a="faces 1")
    with pytest.raises(UsageError, match="no scheduler answers"):
        run(folder, tmp_path / "out", cluster="tcp://127.0.0.1:1")


def test_a_killed_worker_costs_nothing(tmp_path, folder):
    fill(folder, **{f"p{i}": "sleep 0.1" for i in range(6)},
         k=f"killed-parent-once {tmp_path / 'once'}")
    settings = FolderSettings(time_limit_s=20)
    result = run(folder, tmp_path / "out", workers=2, settings=settings)
    assert [row["status"] for row in result.images] == ["measured"] * 7
    assert (tmp_path / "once").exists()
    counts = measured(tmp_path)
    assert counts.pop("k.tif") == 2
    assert set(counts.values()) == {1}


# --- going on after an end ------------------------------------------------------------------------


def test_what_is_finished_is_kept_and_what_is_stale_is_redone(tmp_path, folder):
    out = tmp_path / "out"
    fill(folder, a="ok 1", b="ok 1", c="ok 1")
    sheet = folder / "specimens.csv"
    sheet.write_text("image,specimen,lens\na.tif,A,1\nb.tif,B,1\nc.tif,C,1\n")
    run(folder, out)
    first = bytes_of(out)
    run(folder, out)
    assert measured(tmp_path) == {"a.tif": 1, "b.tif": 1, "c.tif": 1}
    assert bytes_of(out) == first
    fill(folder, b="ok 22")  # its bytes
    sheet.write_text("image,specimen,lens\nc.tif,C,9\nb.tif,B,1\na.tif,A,1\n")  # order, c's row
    result = run(folder, out)
    assert measured(tmp_path) == {"a.tif": 1, "b.tif": 2, "c.tif": 2}
    assert [face["cut_depth_fraction"] for face in result.faces] == [0.01, 0.02, 0.01]
    os.utime(folder / "a.tif", (1, 1))  # a touched file is the same file
    (folder / "a.txt").write_text("PixelSize=1")  # a side file may bear on the result
    run(folder, out)
    assert measured(tmp_path)["a.tif"] == 2
    (out / "B" / "report.html").unlink()
    run(folder, out)
    assert measured(tmp_path) == {"a.tif": 2, "b.tif": 3, "c.tif": 2}
    run(folder, out, redo=True)
    assert measured(tmp_path) == {"a.tif": 3, "b.tif": 4, "c.tif": 3}


def test_another_protocol_makes_everything_stale(tmp_path, folder):
    fill(folder, a="ok")
    run(folder, tmp_path / "out")
    protocol = tmp_path / "own.toml"
    protocol.write_text('[protocol]\nname = "own"\n')
    run(folder, tmp_path / "out", protocol=protocol)
    assert measured(tmp_path) == {"a.tif": 2}


def test_failures_of_the_picture_are_kept_and_those_from_outside_are_not(tmp_path, folder):
    fill(folder, refused="refuse", crashed="crash", killed="killed")
    run(folder, tmp_path / "out")
    result = run(folder, tmp_path / "out")
    assert result.exit_code == 1
    assert len(result.problems) == 3
    assert measured(tmp_path) == {"refused.tif": 1, "crashed.tif": 2, "killed.tif": 4}


RUN = """
import sys
from pathlib import Path
from edgeqc.folder import FolderRequest, run_folder
from edgeqc.folder_settings import FolderSettings
if __name__ == "__main__":
    run_folder(FolderRequest(Path(sys.argv[1]), Path(sys.argv[2]), workers=int(sys.argv[3]),
                             settings=FolderSettings(), examiner="fake_examiner:examine",
                             protocol=Path(sys.argv[4])))
"""


def start(tmp_path, folder, out, workers=1):
    script = tmp_path / "run.py"
    script.write_text(RUN)
    return subprocess.Popen([sys.executable, str(script), str(folder), str(out), str(workers),
                             str(PROTOCOL)])


def wait_for(condition, limit_s=30.0):
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


@pytest.mark.parametrize("finished", [0, 1, 4, 7])
def test_killed_and_resumed_gives_the_same_bytes(tmp_path, folder, finished):
    fill(folder, **{f"p{i}": "sleep 0.03" for i in range(8)})
    run(folder, tmp_path / "undisturbed")
    for mark in (tmp_path / "marks").iterdir():
        mark.unlink()
    out = tmp_path / "out"
    process = start(tmp_path, folder, out)
    wait_for(lambda: len(list(out.glob("p*/record.json"))) >= finished and out.exists())
    process.send_signal(signal.SIGKILL)
    process.wait()
    done = {path.parent.name for path in out.glob("p*/record.json")}
    begun = dict(measured(tmp_path))
    run(folder, out)
    assert bytes_of(out) == bytes_of(tmp_path / "undisturbed")
    for name in done:
        assert measured(tmp_path)[f"{name}.tif"] == begun[f"{name}.tif"] == 1
    assert not (out / ".edgeqc").exists()


def test_the_measuring_process_ends_with_its_run(tmp_path, folder):
    fill(folder, a="sleep 30")
    process = start(tmp_path, folder, tmp_path / "out")
    wait_for(lambda: "a.tif" in measured(tmp_path))
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    assert children
    process.send_signal(signal.SIGKILL)
    process.wait()
    wait_for(lambda: not any(alive(int(child)) for child in children), 10)


def alive(pid):
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False


# --- the output folder ----------------------------------------------------------------------------


def test_a_second_run_into_one_folder_is_refused(tmp_path, folder):
    fill(folder, a="ok")
    with open_store(tmp_path / "out"), pytest.raises(OutputError) as caught:
        run(folder, tmp_path / "out")
    assert f"another run is writing into this folder (process {os.getpid()})" in str(caught.value)
    assert run(folder, tmp_path / "out").exit_code == 0


def test_the_lock_of_a_dead_run_does_not_hold(tmp_path, folder):
    fill(folder, a="ok")
    hidden = tmp_path / "out" / ".edgeqc"
    (hidden / "run-1-1" / "0").mkdir(parents=True)
    (hidden / "lock").write_text("999999\n")
    assert run(folder, tmp_path / "out").exit_code == 0
    assert not hidden.exists()


def test_what_is_not_ours_is_not_overwritten(tmp_path, folder):
    fill(folder, a="ok")
    (tmp_path / "out" / "a").mkdir(parents=True)
    (tmp_path / "out" / "a" / "thesis.docx").write_text("years of work")
    with pytest.raises(OutputError, match="'a'"):
        run(folder, tmp_path / "out")
    assert (tmp_path / "out" / "a" / "thesis.docx").read_text() == "years of work"


def test_an_output_path_that_is_a_file(tmp_path, folder):
    fill(folder, a="ok")
    (tmp_path / "out").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        run(folder, tmp_path / "out")


def test_a_full_disk_stops_the_run_and_keeps_what_is_finished(tmp_path, folder):
    fill(folder, a="ok", b="full", c="ok")
    with pytest.raises(OutputError, match="No space left"):
        run(folder, tmp_path / "out")
    assert measured(tmp_path) == {"a.tif": 1, "b.tif": 1}
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["a"]
    fill(folder, b="ok")
    assert run(folder, tmp_path / "out").exit_code == 0
    assert measured(tmp_path) == {"a.tif": 1, "b.tif": 2, "c.tif": 1}


def test_a_disk_that_fills_up_while_publishing(tmp_path, folder, monkeypatch):
    fill(folder, a="ok", b="ok")
    publish = ResultStore.publish

    def fail_second(self, aside, name, record):
        if name == "b":
            monkeypatch.setattr("edgeqc.result_store._to_disk", no_space)
        return publish(self, aside, name, record)

    def no_space(path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ResultStore, "publish", fail_second)
    with pytest.raises(OutputError, match="No space left"):
        run(folder, tmp_path / "out")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["a"]


def test_a_picture_that_vanishes_is_a_row(tmp_path, folder):
    fill(folder, a="ok", b="ok")

    def vanish(event):
        if event.kind == "finished":
            (folder / "b.tif").unlink(missing_ok=True)

    result = run(folder, tmp_path / "out", report=vanish)
    assert [row["status"] for row in result.images] == ["measured", "failed"]
    assert result.images[1]["reason"] == "the file has vanished"


# --- wrong usage ----------------------------------------------------------------------------------


def test_a_faulty_sheet_stops_everything_before_measuring(tmp_path, folder):
    fill(folder, a="ok")
    (folder / "specimens.csv").write_text("image,pixel_size_um\na.tif,-1\nb.tif,1\n")
    with pytest.raises(SheetError, match="2 faults"):
        run(folder, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_folder_without_pictures_or_not_there(tmp_path, folder):
    (folder / "readme.txt").write_text("")
    with pytest.raises(UsageError, match="holds no pictures"):
        run(folder, tmp_path / "out")
    with pytest.raises(UsageError, match="cannot be read"):
        run(tmp_path / "nowhere", tmp_path / "out")
    fill(folder, a="ok")
    with pytest.raises(UsageError, match="is the folder of the pictures"):
        run(folder, folder)
