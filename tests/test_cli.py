"""The commands: exit codes, usage, messages."""

import json

import pytest
from click.testing import CliRunner

import edgeqc
from edgeqc.cli import main


@pytest.fixture
def run():
    return lambda *args: CliRunner().invoke(main, [str(arg) for arg in args])


def test_version_and_help(run):
    assert edgeqc.__version__ in run("--version").output
    for command in main.commands:
        assert run(command, "--help").exit_code == 0


def test_options_are_those_of_the_contract():
    wanted = {
        "specimen": {"--out", "--sheet", "--protocol"},
        "folder": {"--out", "--sheet", "--protocol", "--workers", "--cluster"},
        "settings": {"--out", "--protocol"},
    }
    for name, options in wanted.items():
        has = {opt for param in main.commands[name].params for opt in param.opts}
        assert options <= has


def test_wrong_usage_is_2(run, tmp_path):
    picture = tmp_path / "a.tif"
    picture.write_bytes(b"")
    assert run("specimen", "--out", tmp_path / "out").exit_code == 2
    assert run("specimen", picture).exit_code == 2
    assert run("specimen", tmp_path / "none.tif", "--out", tmp_path / "out").exit_code == 2
    assert run("specmen").exit_code == 2
    assert "specimen" in run("specmen").output  # says which was meant


def test_a_bad_protocol_is_wrong_usage_and_nothing_is_written(run, tmp_path):
    picture, protocol = tmp_path / "a.tif", tmp_path / "ours.toml"
    picture.write_bytes(b"")
    protocol.write_text("[zoness]\n")
    done = run("specimen", picture, "--out", tmp_path / "out", "--protocol", protocol)
    assert done.exit_code == 2
    assert "did you mean 'zones'?" in done.output
    assert not (tmp_path / "out").exists()


def test_an_unreadable_picture_is_a_row_and_exit_1(run, tmp_path):
    text = tmp_path / "SM-001.tif"
    text.write_text("this is not a picture")
    out = tmp_path / "out"
    done = run("specimen", text, "--out", out)
    assert done.exit_code == 1, done.output
    rows = (out / "images.csv").read_text(encoding="utf-8").splitlines()
    assert rows[1].startswith("SM-001.tif,SM-001,failed,0,,none,,")
    assert len(rows[1].split(",", 7)[7]) > 10  # with its reason
    assert (out / "faces.csv").read_text(encoding="utf-8").count("\n") == 1
    assert json.loads((out / "run.json").read_text())["counts"]["pictures_failed"] == 1
    assert (out / "SM-001" / "report.pdf").exists()


def test_two_pictures_of_one_name_are_refused(run, tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "x.tif").write_bytes(b"")
    done = run("specimen", tmp_path / "a" / "x.tif", tmp_path / "b" / "x.tif", "--out",
               tmp_path / "out")
    assert done.exit_code == 2
    assert "x.tif" in done.output


def test_results_that_cannot_be_written_are_told(run, tmp_path):
    picture = tmp_path / "a.tif"
    picture.write_text("no picture")
    blocked = tmp_path / "file"
    blocked.write_text("")
    done = run("specimen", picture, "--out", blocked / "below")
    assert done.exit_code == 1
    assert "cannot be written" in done.output
