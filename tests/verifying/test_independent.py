"""What verify shares with what it checks: this list and no more. DEVELOPERS.md has the reasons."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
VERIFYING = sorted((ROOT / "pipeline/stages/verifying").glob("*.py"))
# Of the renderer, of the planner, and of what either draws or converts with.
SHARED = {
    "pipeline.stages.rendering.given": {"SourceMedia"},
    "pipeline.stages.placed": {"mark_boxes", "out_fields", "words_boxes"},
    "pipeline.stages.restore": {"RESTORED_WORDS", "words_box", "words_shown"},
    "pipeline.stages.card": {"card_box", "card_zone", "strip_boxes"},
    "pipeline.stages.drawn": {"caption_ink"},
    "pipeline.stages.scale_bar": {"bar_ink", "bar_rows"},
    "pipeline.stages.damage": {"ShownDamage"},
    "pipeline.stages.planning.levels": {"replaced_spans"},
    "pipeline.model.timeline": {"Timeline"},
    "pipeline.analysis.mark.strokes": {"Moment", "Strokes", "shape_knots", "two_tone"},
    "pipeline.analysis.mark.light": {"Light"},
    "pipeline.analysis.mark.visibility": {"VisibilityFold", "measure_visibility"},
    "pipeline.analysis.sound.tracks": {"render_mix", "render_tracks", "to_channels"},
    "pipeline.analysis.sound.mix": {"aim"},
    "pipeline.media.write": {"chapter_text", "code_sound"},
}
# All else of these rooms draws, converts, mixes or decides what is checked.
GUARDED = (
    "pipeline.stages.rendering", "pipeline.stages.planning", "pipeline.stages.placed",
    "pipeline.stages.restore", "pipeline.stages.card", "pipeline.stages.damage",
    "pipeline.stages.drawn", "pipeline.stages.scale_bar",
    "pipeline.stages.pictures", "pipeline.stages.draft", "pipeline.stages.room",
    "pipeline.analysis.trace.release_code",
    "pipeline.model.placement", "pipeline.model.timeline", "pipeline.analysis.mark",
    "pipeline.analysis.sound.tracks", "pipeline.analysis.sound.mix",
    "pipeline.analysis.sound.gain", "pipeline.analysis.sound.limiter",
    "pipeline.analysis.sound.redact", "pipeline.analysis.lens.clear", "pipeline.media.write",
)  # fmt: skip


def taken(path: Path) -> set[tuple[str, str]]:
    """(module, name) of everything of ours that a file imports."""
    found: set[tuple[str, str]] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {(node.module, a.name) for a in node.names}
        elif isinstance(node, ast.Import):
            found |= {(a.name, "") for a in node.names}
    return found


def beyond(path: Path) -> list[str]:
    return [
        f"{module}: {name}"
        for module, name in sorted(taken(path))
        if f"{module}.{name}".startswith(GUARDED) and name not in SHARED.get(module, set())
    ]


@pytest.mark.parametrize("path", VERIFYING, ids=lambda p: p.name)
def test_verify_shares_only_what_the_list_says(path: Path) -> None:
    assert beyond(path) == []


def test_the_check_itself_sees_what_is_shared(tmp_path: Path) -> None:
    bad = tmp_path / "x.py"
    bad.write_text("from pipeline.stages.rendering.blanking import Blanker\n"
                   "from pipeline.model.placement import Placement\n"
                   "from pipeline.stages.rendering import blanking\n")  # fmt: skip
    assert len(beyond(bad)) == 3


def test_nothing_of_the_list_is_unused() -> None:
    used = {entry for path in VERIFYING for entry in taken(path)}
    named = {(module, name) for module, names in SHARED.items() for name in names}
    assert named - used == set()


def test_the_reasons_are_written_down() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    missing = [f"{n}" for names in SHARED.values() for n in names if f"`{n}`" not in text]
    assert missing == []
