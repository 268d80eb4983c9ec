"""Rules of DEVELOPERS.md that a machine can hold: lengths, docstrings, names, quiet imports."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "edgeqc"
MODULES = sorted(PACKAGE.rglob("*.py"))
LONGEST_MODULE = 400
LONGEST_FUNCTION = 48  # "about 40": code lines without the docstring
EMPTY_NAMES = {"utils", "util", "helpers", "helper", "common", "core", "misc", "manager"}


def _name(module):
    return str(module.relative_to(PACKAGE))


def _functions(module):
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def _code_lines(function, text):
    """Lines of a function without docstring, blank lines and comments."""
    body = function.body
    if ast.get_docstring(function) is not None:
        body = body[1:]
    if not body:
        return 0
    lines = text.splitlines()[body[0].lineno - 1 : function.end_lineno]
    return sum(1 for line in lines if line.strip() and not line.strip().startswith("#"))


@pytest.mark.parametrize("module", MODULES, ids=_name)
def test_modules_and_functions_stay_short(module):
    text = module.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST_MODULE
    long = {f.name: _code_lines(f, text) for f in _functions(module)
            if _code_lines(f, text) > LONGEST_FUNCTION}
    assert not long


@pytest.mark.parametrize("module", MODULES, ids=_name)
def test_public_things_have_datasheets(module):
    tree = ast.parse(module.read_text(encoding="utf-8"))
    if module.name != "__init__.py" or tree.body:
        assert ast.get_docstring(tree), "a module says what it holds"
    bare = [node.name for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            and not node.name.startswith("_") and not ast.get_docstring(node)]
    assert not bare


@pytest.mark.parametrize("module", MODULES, ids=_name)
def test_the_library_is_quiet_and_reads_no_environment(module):
    tree = ast.parse(module.read_text(encoding="utf-8"))
    calls = [node.func.id for node in ast.walk(tree)
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
    if module.parent.name != "training":  # run by hand, and tells how the fit goes
        assert "print" not in calls
    if not module.name.startswith("guarded_"):  # it hands a worker process its environment on
        reads = [node for node in ast.walk(tree) if isinstance(node, ast.Attribute)
                 and node.attr in ("environ", "getenv")]
        assert not reads


def test_names_say_something():
    assert not [m for m in MODULES if m.stem in EMPTY_NAMES or m.parent.name in EMPTY_NAMES]


def test_help_loads_no_numerical_library():
    code = (
        "import sys\n"
        "sys.argv = ['edgeqc', '--help']\n"
        "from edgeqc.cli import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'skimage', 'pandas', 'pydantic', 'PIL', 'typst',"
        " 'tifffile', 'statsmodels', 'sklearn', 'dask', 'rich'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Commands:" in done.stdout


def test_the_specimen_command_waits_with_study_libraries():
    code = (
        "import sys\n"
        "import edgeqc.few_specimens\n"
        "late = {'pandas', 'statsmodels', 'sklearn', 'dask', 'distributed', 'typst',"
        " 'jinja2', 'openpyxl'} & set(sys.modules)\n"
        "assert not late, late\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
