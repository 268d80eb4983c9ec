"""The README's promises: its two commands, its files, its first paragraph."""

import re
import subprocess
from pathlib import Path

import edgeqc
from edgeqc.cli import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _commands():
    return re.findall(r"^    (python3 -m venv .+)$", README, re.MULTILINE)


def test_exactly_two_commands_set_everything_up():
    commands = _commands()
    assert len(commands) == 2
    assert "edgeqc folder demo_images --out" in commands[0]
    assert "pytest" in commands[1]
    assert all("pip install" in command for command in commands)


def test_the_ci_runs_the_readmes_own_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"grep -E '(.+?)'", script)[1]
    found = subprocess.run(["grep", "-cE", pattern, str(ROOT / "README.md")],
                           capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "1"


def test_commands_named_in_the_readme_exist():
    named = set(re.findall(r"edgeqc (\w+) ", README)) & {
        "specimen", "folder", "settings", "phantom", "teach"}
    assert named <= set(main.commands)
    for name in re.findall(r"`edgeqc (\w+)", README):
        assert name in main.commands or name == "COMMAND"


def test_first_paragraph_states_the_job():
    first = README.split("\n\n")[1]
    for word in ("micrographs", "laser", "scissors", "torn", "thickness", "uncertainty", "review"):
        assert word in first


def test_links_point_to_files():
    for target in re.findall(r"\]\((?!http|#)([^)#]+)", README):
        assert (ROOT / target).exists(), target


def test_the_changelog_begins_with_numbers_that_change():
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    version, first = re.search(r"^## (\S+).*?^### (.+?)$", text, re.MULTILINE | re.DOTALL).groups()
    assert version == edgeqc.__version__
    assert first == "Numbers that change"
