"""The layers of DEVELOPERS.md: a module imports only from below or from its own folder."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "edgeqc"

LAYERS = (
    ("errors", "flags", "quantity", "order_statistics", "typesetting"),
    ("imaging",),
    ("faces",),
    ("zoning",),
    ("measure", "phantoms"),
    ("protocol", "protocol_text", "sheet_cells", "sheet_values", "specimen_sheet"),
    ("findings", "answers", "examined"),
    ("report", "study"),
    ("specimen", "specimen_heights", "settings", "teach", "training"),
    ("folder", "folder_examiner", "folder_index", "folder_jobs", "folder_search",
     "folder_settings", "folder_tables", "folder_work", "folder_workers", "guarded_call",
     "guarded_main", "guarded_reply", "result_store", "few_specimens", "known_answer",
     "known_answer_report", "review"),
    ("progress", "cli"),
)
SAME_LAYER = {
    # modules of one pipeline that build on one another
    frozenset({"protocol", "protocol_text", "sheet_cells", "sheet_values", "specimen_sheet"}),
    frozenset({"findings", "answers", "examined"}),
    frozenset(LAYERS[-2]),
    frozenset(LAYERS[-1]),
    frozenset({"errors", "flags", "quantity"}),
    frozenset({"teach", "training"}),
    frozenset({"specimen", "specimen_heights"}),
}
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}
MODULES = sorted(PACKAGE.rglob("*.py"))


def _part(module: Path) -> str:
    return module.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imports(module: Path) -> set[str]:
    """Parts of edgeqc that a module imports, inside its functions too."""
    parts = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module.name} imports relatively"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        parts |= {name.split(".")[1] for name in names if name.startswith("edgeqc.")}
    # the version is the package's own, of no layer
    return {part for part in parts if not part.startswith("__")}


def _allowed(importer: str, imported: str) -> bool:
    if importer == imported or LEVEL[imported] < LEVEL[importer]:
        return True
    return any({importer, imported} <= group for group in SAME_LAYER)


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_a_module_imports_only_from_below(module):
    part = _part(module)
    if part == "__init__":
        return
    assert part in LEVEL, f"{part} stands in no layer: say where it belongs"
    wrong = {name for name in _imports(module) if not _allowed(part, name)}
    assert not wrong, f"{module.name} of layer {LEVEL[part]} imports {sorted(wrong)}"


def test_the_check_sees_a_breach():
    assert not _allowed("measure", "phantoms")
    assert not _allowed("phantoms", "measure")
    assert not _allowed("imaging", "report")
    assert _allowed("report", "imaging")
    assert _imports(PACKAGE / "report" / "writing.py") >= {"examined", "findings", "report"}


def test_the_package_is_one_folder_deep():
    deep = [m for m in MODULES if len(m.relative_to(PACKAGE).parts) > 2]
    assert not deep
