"""A finished clip as an OpenTimelineIO file, for an editing program; written and read back.

Media are named relative to the file, so that the folder can be moved as a whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Marks = Sequence[tuple[float, float, str, str]]


@dataclass(frozen=True)
class Track:
    """One track: its media by file name, and the stretches of it in order.

    kind: Video or Audio. parts: (start_s, length_s, name) in the media's own time, one after
    the other. marks: (start_s, stop_s, name, colour) on the track; colour is one of the
    library's, for example RED.
    """

    name: str
    kind: str
    file: str
    length_s: float
    parts: Sequence[tuple[float, float, str]]
    marks: Marks = ()


def write_timeline(path: Path, name: str, rate_hz: float, tracks: Sequence[Track]) -> None:
    """Write the tracks beside their media. Times are rounded to pictures of `rate_hz`."""
    import opentimelineio as otio

    def range_of(start_s: float, stop_s: float) -> Any:
        """Rounded at both ends, so that what follows each other still does."""
        first, last = round(start_s * rate_hz), round(stop_s * rate_hz)
        at, long = (otio.opentime.RationalTime(k, rate_hz) for k in (first, last - first))
        return otio.opentime.TimeRange(at, long)

    timeline = otio.schema.Timeline(name)
    for track in tracks:
        media = otio.schema.ExternalReference(track.file, range_of(0.0, track.length_s))
        row = otio.schema.Track(track.name, kind=track.kind)
        for start_s, length_s, words in track.parts:
            span = range_of(start_s, start_s + length_s)
            if span.duration.value >= 1:
                row.append(otio.schema.Clip(words, media.deepcopy(), span))
        for start_s, stop_s, words, colour in track.marks:
            row.markers.append(otio.schema.Marker(words, range_of(start_s, stop_s), colour))
        timeline.tracks.append(row)
    otio.adapters.write_to_file(timeline, str(path))


def faults_of_timeline(path: Path, lengths_s: dict[str, float]) -> list[str]:
    """What is wrong with a written file, read back with the library; empty if nothing.

    lengths_s: of the media by file name, as they were measured.
    """
    import opentimelineio as otio

    timeline, faults = otio.adapters.read_from_file(str(path)), list[str]()
    for track in timeline.tracks:
        for clip in track.find_clips():
            file = clip.media_reference.target_url
            if file not in lengths_s or not (path.parent / file).is_file():
                faults.append("it names a file that is not beside it")
                continue
            frame_s = 1.0 / clip.source_range.duration.rate
            if clip.source_range.end_time_exclusive().to_seconds() > lengths_s[file] + frame_s:
                faults.append(f"the track {track.name} goes on after its media")
        end_s, wanted_s = track.duration().to_seconds(), max(lengths_s.values(), default=0.0)
        if abs(end_s - wanted_s) > 2.0 / track.duration().rate + 0.05:
            faults.append(f"the track {track.name} is not as long as the clip")
    return faults
