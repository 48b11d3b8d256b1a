"""Where picture and sound of a recording begin or end apart: what the clip shows and plays. Pure.

The pictures set the length. Without sound it is silent; sound without a picture is left out,
so that parts of a split recording join without a gap. Both are said.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.survey import SurveyedRecording
from pipeline.model.time import Span

TOLD_S = 0.1
"""Less than this nobody notices: packets of sound alone last up to that long."""
LONG_S = 1.0
"""From this on pictures may be missing, and a person should look."""


def ends_told(recording: SurveyedRecording, name: str, used: Sequence[Span]) -> list[str]:
    """Sentences about the ends of a file. used: what is kept of it, in source time."""
    start_s, stop_s = recording.sound_start_s, recording.sound_stop_s
    if start_s is None or stop_s is None or not used:
        return []
    first_s, last_s = used[0].start_s, used[-1].stop_s
    said = []
    if start_s - first_s > TOLD_S:
        said.append(f"{name}: its sound begins {start_s - first_s:.2f} s late: silence until then")
    elif first_s < TOLD_S < -start_s:
        said.append(f"{name}: its sound begins {-start_s:.2f} s before the first picture: left out")
    over_s = stop_s - recording.duration_s
    if last_s - stop_s > TOLD_S:
        said.append(
            f"{name}: its sound ends {last_s - stop_s:.2f} s before its picture: silence from there"
        )
    elif recording.duration_s - last_s < TOLD_S < over_s:
        look = "; look whether pictures are missing" if over_s > LONG_S else ""
        said.append(
            f"{name}: its sound goes on for {over_s:.2f} s after the last picture: left out{look}"
        )
    return said
