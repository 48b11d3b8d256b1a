"""Captions of the narration: WebVTT (W3C) or SubRip files in, WebVTT out."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from pipeline.errors import InputError
from pipeline.media.labels import label
from pipeline.model.script import Cue as Cue

_TAG = re.compile(r"</?[a-zA-Z][^<>]{0,200}>")
_PLAIN = str.maketrans("{}\\", "()/")
LIMIT_BYTES = 2_000_000
LONGEST = 1000  # characters of one cue: nearly a minute of reading, so not what is meant


def read_captions(path: Path) -> list[Cue]:
    """Cues (start_s, stop_s, text without markup) in order of time, on the file's own axis.

    Raises InputError for a file that is no WebVTT or SubRip in UTF-8, or is too large.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("vtt", "srt"):
        raise InputError(
            "Captions must be WebVTT, SubRip or a script", label(path), "give a .vtt, .srt or .txt"
        )
    try:
        if path.stat().st_size > LIMIT_BYTES:
            raise InputError("The captions are too large", label(path), "keep them below 2 MB")
        cues = captions_of(path.read_text(encoding="utf-8-sig"), kind)
    except InputError:
        raise
    except (OSError, ValueError):
        raise InputError(
            "The captions cannot be read", label(path), "give WebVTT or SubRip text in UTF-8"
        ) from None
    start_s, length = max(((a, len(t)) for a, _, t in cues), key=lambda c: c[1], default=(0.0, 0))
    if length > LONGEST:
        raise InputError(
            "A caption is too long to be read",
            f"{length} characters at {start_s:.1f} s of {label(path)}",
            f"keep each below {LONGEST}: give every sentence its own time, or the script as .txt",
        )
    return cues


def captions_of(text: str, kind: str) -> list[Cue]:
    """Cues of a text in order of time. kind: vtt or srt. Raises ValueError where it is neither."""
    import webvtt
    from webvtt.errors import MalformedCaptionError, MalformedFileError

    try:
        found = webvtt.from_buffer(io.StringIO(text), format=kind)
        cues = [
            (_seconds(c.start_in_seconds, c.start), _seconds(c.end_in_seconds, c.end), words)
            for c in found.captions
            if (words := plain_words(c.text))
        ]
    except (MalformedCaptionError, MalformedFileError, IndexError) as error:
        raise ValueError("no captions") from error
    return sorted((a, b, t.strip()) for a, b, t in cues if b > a and t.strip())


def plain_words(text: str) -> str:
    """The words of a cue without markup."""
    return _TAG.sub("", html.unescape(text))


def _seconds(whole: float, stamp: str) -> float:
    """Seconds with milliseconds: the library's own number may be whole seconds."""
    return int(whole) + int(stamp.replace(",", ".").rpartition(".")[2][:3]) / 1000


def captions_vtt(cues: Sequence[Cue]) -> str:
    """The text of a WebVTT file, times in seconds of the finished clip."""
    lines = ["WEBVTT", ""]
    for start_s, stop_s, text in cues:
        words = text.replace("&", "&amp;").replace("<", "&lt;").replace("-->", "- ->")
        lines += [f"{stamp(start_s)} --> {stamp(stop_s)}", *filter(None, words.splitlines()), ""]
    return "\n".join(lines)


def captions_srt(cues: Sequence[Cue]) -> str:
    """The text of a SubRip file, times in seconds of the finished clip."""
    blocks = []
    for number, (start_s, stop_s, text) in enumerate(cues, start=1):
        span = " --> ".join(stamp(t).replace(".", ",") for t in (start_s, stop_s))
        words = text.replace("-->", "- ->")
        blocks.append("\n".join([str(number), span, *filter(None, words.splitlines()), ""]))
    return "\n".join(blocks)


def one_at_a_time(cues: Sequence[Cue]) -> list[Cue]:
    """The cues as a text track of an MP4 can hold them: where two are shown at once, in one.

    Braces and backslashes would be commands of the format that ffmpeg converts by.
    """
    edges = sorted({t for start_s, stop_s, _ in cues for t in (start_s, stop_s)})
    coming = sorted(cues, key=lambda c: c[:2], reverse=True)
    shown: list[Cue] = []
    out = []
    for start_s, stop_s in pairwise(edges):
        shown = [cue for cue in shown if cue[1] > start_s]
        while coming and coming[-1][0] <= start_s:
            shown.append(coming.pop())
        if shown:
            text = "\n".join(words for _, _, words in shown)
            out.append((start_s, stop_s, text.translate(_PLAIN)))
    return out


def stamp(time_s: float) -> str:
    ms = round(max(0.0, time_s) * 1000)
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
