"""Parts of the folder pipeline: search, grouping, names, tables, index, guarded calls."""

from __future__ import annotations

import os
import random
import re
import socket
from pathlib import Path

import openpyxl
import pytest

from edgeqc.flags import FLAGS
from edgeqc.folder_index import _with_doubt, index_page
from edgeqc.folder_jobs import fingerprint, folder_names, plan_jobs
from edgeqc.folder_search import FoundFiles, find_files
from edgeqc.folder_settings import FolderSettings
from edgeqc.folder_tables import meaning_of, sorted_rows, workbook_bytes
from edgeqc.folder_workers import WORKER_MB, fitting_workers
from edgeqc.guarded_call import GuardedProcess
from edgeqc.report.tables import FACE_COLUMNS, IMAGE_COLUMNS
from edgeqc.specimen_sheet import Sheet, SheetRow, read_sheet

SETTINGS = FolderSettings()


def touch(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)


# --- search ---------------------------------------------------------------------------------------


def test_pictures_are_found_whatever_their_names(tmp_path):
    long = "x" * 240 + ".tif"
    names = ["a b.TIF", "Schärfe µ.png", long, "A.tif", "a.tif", "deep/er/b.JPEG", "名前.bmp",
             "semi;colon,comma.tif", "two\nlines.tif", "=1+1.tif"]
    touch(tmp_path, *names, "notes.txt", ".hidden.tif", "._a.tif", ".git/c.tif")
    found = find_files(tmp_path, SETTINGS)
    assert found.images == tuple(sorted(names))
    assert "notes.txt" in found.files
    assert find_files(tmp_path, FolderSettings(subfolders=False)).images == tuple(
        sorted(set(names) - {"deep/er/b.JPEG"}))
    assert find_files(tmp_path, FolderSettings(patterns=("*.bmp",))).images == ("名前.bmp",)


def test_loops_of_links_end_and_each_folder_is_searched_once(tmp_path):
    touch(tmp_path, "one/a.tif", "two/b.tif")
    (tmp_path / "one" / "up").symlink_to(tmp_path)
    (tmp_path / "two" / "self").symlink_to(tmp_path / "two")
    (tmp_path / "again").symlink_to(tmp_path / "one")
    (tmp_path / "round.tif").symlink_to(tmp_path / "round.tif")
    (tmp_path / "gone.tif").symlink_to(tmp_path / "nowhere")
    (tmp_path / "c.tif").symlink_to(tmp_path / "two" / "b.tif")
    found = find_files(tmp_path, SETTINGS)
    assert len([name for name in found.images if name.endswith("a.tif")]) == 1
    assert {"c.tif", "two/b.tif"} <= set(found.images)
    assert {name for name, _ in found.refused} == {"gone.tif", "round.tif"}


def test_what_must_not_be_opened_is_refused(tmp_path):
    touch(tmp_path, "a.tif")
    os.mkfifo(tmp_path / "pipe.tif")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "s.png"))
        (tmp_path / os.fsdecode(b"bad\xff.tif")).write_text("")
        found = find_files(tmp_path, SETTINGS)
    assert found.images == ("a.tif",)
    assert dict(found.refused) == {
        "pipe.tif": "not a regular file", "s.png": "not a regular file",
        "bad\\xff.tif": "the file's name is not valid text; rename it"}


def test_results_of_runs_are_no_pictures(tmp_path):
    touch(tmp_path, "a.tif", "out/a/a.overlay.png", "old/run.json", "old/images.csv",
          "old/faces.csv", "old/a/a.zones.png", "a.zones.png", "a.p2.zones.png", "b.zones.png")
    found = find_files(tmp_path, SETTINGS, out=tmp_path / "out")
    assert found.images == ("a.tif", "b.zones.png")  # b has no picture of its own beside it
    assert found.problems == ("old: left out, it holds the results of a run",)


def test_a_subfolder_that_cannot_be_read_is_told(tmp_path, monkeypatch):
    touch(tmp_path, "a.tif", "locked/b.tif")
    scandir = os.scandir

    def refuse(path):
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied")
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    found = find_files(tmp_path, SETTINGS)
    assert found.images == ("a.tif",)
    assert found.problems == ("locked: the subfolder cannot be read (Permission denied)",)


def test_ten_thousand_files_are_planned_in_seconds(tmp_path):
    names = [f"{i:05d}.tif" for i in range(10_000)]
    for name in names:
        (tmp_path / name).touch()
    rows = "".join(f"{name},S{i // 2}\n" for i, name in enumerate(names))
    sheet_path = tmp_path / "specimens.csv"
    sheet_path.write_text("image,specimen\n" + rows)
    found = find_files(tmp_path, SETTINGS)
    jobs = plan_jobs(found, read_sheet(sheet_path, files=found.files))
    assert len(jobs) == 5_000
    assert all(len(job.pictures) == 2 for job in jobs)


# --- grouping -------------------------------------------------------------------------------------


def plan(images, rows=(), files=()):
    found = FoundFiles(Path(), tuple(sorted(images)), tuple(sorted({*images, *files})))
    return {job.specimen: job for job in plan_jobs(found, Sheet(tuple(rows), located=True))}


def test_specimens_with_and_without_a_sheet():
    rows = [SheetRow("a.tif", "S", row=2), SheetRow("b.tif", "S", row=3),
            SheetRow("c.tif", "T", height_map="heights/c.tif", row=4)]
    jobs = plan(["a.tif", "b.tif", "c.tif", "S.tif", "heights/c.tif", "x/d.tif", "y/d.tif",
                 "e.tif", "e.png"], rows, ["c.txt", "c.tif.txt", "other.txt"])
    assert {name: [p.name for p in job.pictures] for name, job in jobs.items()} == {
        "S": ["a.tif", "b.tif"], "T": ["c.tif"],  # a height map is no picture
        "S.tif": ["S.tif"],  # not on the sheet, so not of specimen S
        "x/d": ["x/d.tif"], "y/d": ["y/d.tif"], "e.tif": ["e.tif"], "e.png": ["e.png"]}
    assert jobs["T"].pictures[0].side_files == ("c.tif.txt", "c.txt", "heights/c.tif")


def test_rows_for_single_pages_travel_with_the_file():
    rows = [SheetRow("a.tif", "S", row=2), SheetRow("a.tif", "S", page=2, tilt_deg=3, row=3)]
    assert plan(["a.tif"], rows)["S"].pictures[0].rows == tuple(rows)


def test_folder_names_are_safe_unique_and_do_not_depend_on_order():
    ids = ["SM-014/b", "SM-014_b", "sm-014_B", "CON", "com1.x", "a:b", "a?b", "x" * 300,
           "x" * 301, "..", ".", " pad ", "run.json", "Schärfe", "é" * 90, "名" * 60, "tab\tx",
           "", "nul.", "../../etc"]
    names = folder_names(ids)
    assert names["SM-014_b"] == "SM-014_b"
    assert len({name.casefold() for name in names.values()}) == len(ids)
    for name in names.values():
        assert len(name.encode()) <= 120
        assert not re.search(r'[<>:"/\\|?*\x00-\x1f]|^[. ]|[. ]$', name)
        assert name.casefold() not in {"con", "run.json", "nul", "com1.x"}
    shuffled = random.Random(1).sample(ids, len(ids))
    assert folder_names(shuffled) == names


def test_the_fingerprint_follows_content_not_time_or_place(tmp_path):
    touch(tmp_path, "a.tif", "a.txt")
    context = {"protocol": "1"}

    def of(row=ROW, context=context):
        job = plan(["a.tif"], [row], ["a.txt"])["S"]
        return fingerprint(job, tmp_path, context)

    first = of()
    os.utime(tmp_path / "a.tif", (1, 1))
    assert of(SheetRow("a.tif", "S", row=9)) == first
    assert of(SheetRow("a.tif", "S", lens="1", row=2)) != first
    assert of(context={"protocol": "2"}) != first
    touch(tmp_path, "a.txt")
    assert of() == first
    (tmp_path / "a.txt").write_text("other")
    assert of() != first


# --- tables ---------------------------------------------------------------------------------------

FACES = [
    {"image": "b.tif", "specimen": "007", "lens": "=SUM(A1)", "face": 2, "material": "PMMA",
     "cut_depth_fraction": 0.5, "u_cut_depth_fraction": 0.01, "cut_depth_low": 0.48,
     "cut_depth_high": 0.52, "pulse_energy_uj": "1.5", "verdict": "measured", "flags": ""},
    {"image": "b.tif", "specimen": "007", "face": 1, "cut_depth_fraction": None, "shelf": "0012",
     "verdict": "review", "flags": "noisy;tilt_unknown"},
    {"image": "a.tif#10", "specimen": "1", "face": 1, "verdict": "measured"},
    {"image": "a.tif#2", "specimen": "1", "face": 1, "verdict": "measured"},
]
ROW = SheetRow("a.tif", "S", row=2)
IMAGES = [
    {"image": "b.tif", "specimen": "007", "status": "review", "faces": 2, "pixel_size_um": 0.5},
    {"image": "c <b>.tif", "specimen": "c", "status": "failed", "faces": 0, "reason": "<i>no"},
    {"image": "a.tif#2", "specimen": "1", "status": "measured", "faces": 1},
]


def test_rows_are_sorted_by_picture_page_and_face():
    assert [(row["image"], row["face"]) for row in sorted_rows(FACES)] == [
        ("a.tif#2", 1), ("a.tif#10", 1), ("b.tif", 1), ("b.tif", 2)]


def test_the_workbook_keeps_ids_as_text_and_explains_its_columns(tmp_path):
    columns = (*FACE_COLUMNS, "shelf")
    content = workbook_bytes(FACES, IMAGES, columns, IMAGE_COLUMNS)
    assert content == workbook_bytes(FACES, IMAGES, columns, IMAGE_COLUMNS)
    (tmp_path / "run.xlsx").write_bytes(content)
    book = openpyxl.load_workbook(tmp_path / "run.xlsx")
    assert book.sheetnames == ["faces", "images", "columns", "flags"]
    faces = book["faces"]
    at = {cell.value: cell.column for cell in faces[1]}

    def value(row, name):
        return faces.cell(row, at[name]).value

    assert (value(2, "specimen"), value(3, "shelf")) == ("007", "0012")
    assert value(2, "lens") == "=SUM(A1)"
    assert faces.cell(2, at["lens"]).data_type == "s"  # not a formula
    assert (value(2, "cut_depth_fraction"), value(3, "cut_depth_fraction")) == (0.5, None)
    assert value(2, "pulse_energy_uj") == 1.5
    meanings = list(book["columns"].iter_rows(min_row=2, values_only=True))
    assert [row[1] for row in meanings] == [*columns, *IMAGE_COLUMNS]
    assert all(row[2] for row in meanings)


def test_every_column_of_the_contract_has_its_own_meaning():
    unexplained = "From the specimen sheet, as written there."
    assert not [name for name in (*FACE_COLUMNS, *IMAGE_COLUMNS)
                if meaning_of(name) == unexplained]


def test_the_index_links_reports_and_shows_every_row():
    files = {"007": ("report.html", "report.pdf", "b.small.jpg"), "1": ("report.html",),
             "c": ()}
    page = index_page(sorted_rows(IMAGES), sorted_rows(FACES),
                      {"007": "0 07", "1": "1", "c": "c"}, files)
    assert page.count("<tr data-verdict=") == 4
    assert 'href="0%2007/report.html"' in page
    assert 'src="0%2007/b.small.jpg"' in page
    assert "c &lt;b&gt;.tif" in page
    assert "<i>no" not in page
    assert "0.500 ± 0.020" in page
    assert not re.search(r'(src|href)="(https?:)?//', page)  # nothing from outside


# --- guarded calls --------------------------------------------------------------------------------


def test_a_guarded_process_answers_and_is_kept():
    with GuardedProcess("math:factorial", memory_limit_mb=1024) as guard:
        assert guard.call(20, time_limit_s=20).value == 2432902008176640000
        first = guard.pid
        assert guard.call(-1, time_limit_s=20).kind == "unexpected"
        assert guard.call(3, time_limit_s=20).value == 6
        assert guard.pid == first
        assert guard.call(10**9, time_limit_s=0.3).kind == "timeout"  # in C, deaf to signals
        assert guard.pid is None
        assert guard.call(3, time_limit_s=20).value == 6
    assert guard.pid is None


def test_a_function_that_is_not_there_is_said_so():
    with GuardedProcess("math:no_such", memory_limit_mb=1024) as guard:
        reply = guard.call(1, time_limit_s=20)
    assert (reply.kind, reply.reason) == ("unexpected", "the measuring process cannot start")


def test_workers_fit_cores_and_memory(monkeypatch):
    monkeypatch.setattr("edgeqc.folder_workers.os.sched_getaffinity", lambda pid: set(range(8)),
                        raising=False)
    for memory_mb, wanted in ((1e6, 8), (3.5 * WORKER_MB, 3), (100, 1)):
        monkeypatch.setattr("edgeqc.folder_workers._memory_mb", lambda mb=memory_mb: mb)
        assert fitting_workers() == wanted


@pytest.mark.parametrize(("value", "u", "interval", "said"), [
    (0.8, 0.01, (0.78, 0.82), "0.800 ± 0.020"), (0.87, 0.154, (0.56, 1.0), "0.87 (0.56 to 1.00)"),
    (0.9, 0.02, (0.83, 0.92), "0.900 (0.830 to 0.920)"),  # the stated interval, not 2 u
    (79.4, 94.2, None, "80 (0 to 268)"), (None, None, None, ""), (0.5, None, None, "0.5"),
])
def test_the_index_gives_no_plus_minus_that_goes_beyond_what_can_be(value, u, interval, said):
    assert _with_doubt(value, u, interval=interval) == said


def test_the_workbook_explains_every_flag(tmp_path):
    (tmp_path / "run.xlsx").write_bytes(workbook_bytes([], [], FACE_COLUMNS, IMAGE_COLUMNS))
    sheet = openpyxl.load_workbook(tmp_path / "run.xlsx")["flags"]
    rows = {row[0]: row[1:] for row in sheet.iter_rows(values_only=True)}
    assert set(rows) - {"flag"} == set(FLAGS)
    assert rows["zones_unnamed"] == (
        "review", "The texture cannot name the zones.",
        "The borders are shown; the names are a guess.")
