"""What a file carries beside picture and sound that could identify someone."""

from __future__ import annotations

from typing import Any, Literal

from pipeline.media.container import attached
from pipeline.model.recording import FoundMetadata

LISTED_LIMIT = 200
_PLAIN_KEYS = {
    "major_brand", "minor_version", "compatible_brands", "encoder", "language", "vendor_id",
    "duration", "bps", "number_of_frames", "number_of_bytes",
}  # fmt: skip
_PLAIN_HANDLERS = {
    "videohandler", "soundhandler", "subtitlehandler", "datahandler", "iso media file",
    "core media video", "core media audio", "",
}  # fmt: skip


def found_metadata(container: Any) -> list[FoundMetadata]:
    """Every tag and stream that is not needed to show picture and sound."""
    found: list[FoundMetadata] = []

    def tags(where: str, metadata: dict[str, str]) -> None:
        for key, value in metadata.items():
            low = key.lower()
            if low in _PLAIN_KEYS:
                continue
            if low == "handler_name" and value.strip("\x00 ").lower() in _PLAIN_HANDLERS:
                continue
            kind: Literal["text", "time", "place", "device"] = "text"
            if "time" in low or "date" in low:
                kind = "time"
            elif "location" in low or "gps" in low:
                kind = "place"
            elif any(word in low for word in ("make", "model", "device", "serial", "handler")):
                kind = "device"
            shown = "".join(c for c in key[:60] if c.isprintable())
            found.append(FoundMetadata(where=where, key=shown, kind=kind))

    tags("container", dict(container.metadata))
    for number, stream in enumerate(container.streams):
        where = f"stream {number}"
        tags(where, dict(stream.metadata))
        if stream.type == "video" and attached(stream):
            found.append(FoundMetadata(where=where, key="attached picture", kind="picture"))
        elif stream.type == "subtitle":
            found.append(FoundMetadata(where=where, key="subtitles", kind="subtitle"))
        elif stream.type not in ("video", "audio"):
            found.append(FoundMetadata(where=where, key=f"{stream.type} stream", kind="data"))
    for number, _ in enumerate(container.chapters()):
        found.append(FoundMetadata(where=f"chapter {number + 1}", key="title", kind="chapter"))
    if len(found) > LISTED_LIMIT:
        more = len(found) - LISTED_LIMIT
        found[LISTED_LIMIT:] = [FoundMetadata(where="file", key=f"{more} more", kind="data")]
    return found
