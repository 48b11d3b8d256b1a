"""The track of captions in a finished file, read packet by packet as a player is handed them."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path

from pipeline.media.captions import Cue
from pipeline.media.container import open_media
from pipeline.model.release import Check
from pipeline.stages.verifying.result import make_check

TEXT_TRACK = "text track as planned"
LIMIT_S = 0.002  # a stamp has milliseconds
_WRITTEN = str.maketrans("{}\\", "()/")  # what cannot be written in it is written so


def text_track_of(path: Path) -> list[Cue]:
    """(start_s, stop_s, text) of what is shown, in order; empty without such a track.

    A sample is the length of its text and the text (3GPP TS 26.245, 5.17); where nothing is
    said the text is empty.
    """
    found: list[Cue] = []
    with closing(open_media(path)) as container:
        tracks = container.streams.subtitles
        for packet in container.demux(tracks[0]) if tracks else ():
            data = bytes(packet)
            if packet.pts is None or len(data) < 2:
                continue
            (length,) = struct.unpack_from(">H", data)
            text = data[2 : 2 + length].decode("utf-8", "replace")
            start_s = float(packet.pts * packet.time_base)
            if text:
                stop_s = start_s + float((packet.duration or 0) * packet.time_base)
                found.append((start_s, stop_s, text))
    return found


def text_track_check(path: Path, wanted: Sequence[Cue]) -> Check:
    """Every moment of the track says what is wanted then, and nothing else.

    Both are compared between all their edges, so that it does not matter how cues that are
    shown at once were put together.
    """
    found = text_track_of(path)
    edges = sorted(
        {t for cues in (found, wanted) for start, stop, _ in cues for t in (start, stop)}
    )
    spans = [(a, b) for a, b in pairwise(edges) if b - a > LIMIT_S]
    told = zip(spans, _said(found, spans), _said(wanted, spans), strict=True)
    wrong_s = [span for span, one, other in told if one != other]
    off_s = sum(b - a for a, b in wrong_s)
    at = f", first at {wrong_s[0][0]:.2f} s" if wrong_s else ""
    return make_check(TEXT_TRACK, off_s, 0, "s of other words" + at, not wrong_s)


def _said(cues: Sequence[Cue], spans: Sequence[tuple[float, float]]) -> list[list[str]]:
    """The words that are shown in the middle of each span; spans rising."""
    rising, first = sorted(cues, key=lambda c: c[:2]), 0
    shown: list[Cue] = []
    out = []
    for start_s, stop_s in spans:
        middle_s = (start_s + stop_s) / 2
        while first < len(rising) and rising[first][0] <= middle_s:
            shown.append(rising[first])
            first += 1
        shown = [cue for cue in shown if cue[1] > middle_s]
        said = " ".join(text.replace("-->", "- ->") for _, _, text in shown)
        out.append(said.translate(_WRITTEN).split())
    return out
