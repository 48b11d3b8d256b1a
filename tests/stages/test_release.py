"""What lies beside a clip: nothing stays of a run that was killed before its clip came."""

from __future__ import annotations

from pathlib import Path

from pipeline.stages.release import record_unrecorded
from pipeline.store.catalogue import Catalogue
from pipeline.store.work import WorkFolder


def test_a_poster_or_captions_without_their_clip_are_removed(tmp_path: Path) -> None:
    folder = WorkFolder(tmp_path, "QM-0001")
    folder.prepare()
    folder.releases_dir.mkdir()
    for suffix in (".jpg", ".vtt"):
        folder.release_file("web", 1, suffix).write_text("left by a killed run")
        folder.release_file("web", 2, suffix).write_text("of a clip")
    folder.release_file("web", 2).write_text("a clip")
    with Catalogue(tmp_path / "c.sqlite3") as catalogue:
        record_unrecorded(folder, catalogue)
    left = sorted(p.name for p in folder.releases_dir.iterdir())
    assert left == ["QM-0001-web-r2.jpg", "QM-0001-web-r2.mp4", "QM-0001-web-r2.vtt"]
