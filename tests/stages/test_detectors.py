"""Lettering and faces are found whether the child decodes or is handed the pictures."""

from __future__ import annotations

from pathlib import Path

import media_zoo
import pytest

from pipeline.errors import OutputError
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.field import whole_picture
from pipeline.model.options import AnonymityOptions
from pipeline.stages import detectors

OPTIONS = AnonymityOptions(faces=False)


@pytest.fixture(scope="module")
def lettered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lettered") / "a.mp4"
    words = [("MRN 00481516", 190, 200, 22)]
    media_zoo.scope_clip(path, 3.0, size=(640, 480), seed=3, letters=words)
    return path


@pytest.mark.slow
def test_pictures_handed_over_give_what_the_file_gives(lettered: Path) -> None:
    recording = probe(lettered)
    fields = [whole_picture(640, 480, 0, 3, 1.0)]
    asked = detectors.look(lettered, recording, fields, [], OPTIONS, samples_per_s=1, stop_s=3.0)
    with detectors.Feed(recording, fields, OPTIONS, samples_per_s=1, stop_s=3.0) as feed:
        for picture in read_pictures(lettered, recording, skip_unreferenced=True):
            feed.step(picture)
        handed = feed.finish()
    assert asked != handed  # the second search looks at another size
    for found, _ in (asked, handed):
        x, y, w, h = found[0].box_px
        assert x <= 190 and y <= 200 and x + w >= 300 and y + h >= 220
        assert found[0].start_s == 0 and found[0].stop_s == 3.0


def test_a_child_that_dies_is_said_and_nothing_hangs(lettered: Path) -> None:
    recording = probe(lettered)
    fields = [whole_picture(640, 480, 0, 3, 1.0)]
    with detectors.Feed(recording, fields, OPTIONS, samples_per_s=25) as feed:
        feed._child._process.kill()
        with pytest.raises(OutputError, match="lettering and faces was stopped"):
            for picture in read_pictures(lettered, recording):
                feed.step(picture)
            feed.finish()
    limited = detectors._Child({"path": None, "recording": recording.to_json()}, 0.01)
    with pytest.raises(OutputError, match="no end after"):
        limited.finish()  # its timer ends it: it waits for the rest of the job
    limited.stop()
