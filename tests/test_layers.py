"""Imports point downwards only, and pure analysis touches no file, process or codec."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "pipeline"
# Lower number, lower layer. `errors` and `settings` are below everything that uses them.
LAYERS = {
    "errors": 0,
    "": 0,
    "model": 1,
    "settings": 2,
    "analysis": 2,
    "media": 2,
    "store": 2,
    "stages": 3,
    "review": 4,
    "batch": 5,
    "commands": 6,
    "cli": 6,
}
# Same height, so neither may import the other; settings is the exception all may read.
SIDE_BY_SIDE = {"analysis", "media", "store"}
FORBIDDEN_IN_ANALYSIS = {
    "pathlib", "os", "subprocess", "multiprocessing", "tempfile", "shutil", "io", "av", "ffmpeg",
    "imageio_ffmpeg", "soundfile", "click", "rich", "jinja2", "sqlite3", "socket", "urllib",
}  # fmt: skip


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py"))


def layer_of(dotted: str) -> str:
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module)
            if node.module == "pipeline":
                found |= {f"pipeline.{a.name}" for a in node.names if a.name != "__version__"}
        elif isinstance(node, ast.ImportFrom):
            raise AssertionError(f"{path.name}: relative import")
    return found


def own_layer(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return "" if parts == ("__init__",) else parts[0]


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_downwards(path: Path) -> None:
    here = own_layer(path)
    for name in imports(path):
        if not name.startswith("pipeline"):
            continue
        there = layer_of(name)
        assert there in LAYERS, f"unknown layer {there!r}"
        assert LAYERS[there] <= LAYERS[here], f"{here} imports {there}, which lies above it"
        if here != there and {here, there} <= SIDE_BY_SIDE:
            raise AssertionError(f"{here} imports {there}, which lies beside it")


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "analysis").rglob("*.py")), ids=lambda p: p.name
)
def test_analysis_is_pure(path: Path) -> None:
    roots = {name.split(".")[0] for name in imports(path)}
    assert not roots & FORBIDDEN_IN_ANALYSIS
    assert all(n.startswith(("pipeline.model", "pipeline.analysis", "pipeline.errors"))
               for n in imports(path) if n.startswith("pipeline."))  # fmt: skip


def test_the_check_itself_sees_an_upward_arrow(tmp_path: Path) -> None:
    bad = tmp_path / "x.py"
    bad.write_text("from pipeline.stages.recipe import run_case\nimport os\n")
    assert "pipeline.stages.recipe" in imports(bad)
    assert LAYERS[layer_of("pipeline.stages.recipe")] > LAYERS["analysis"]
