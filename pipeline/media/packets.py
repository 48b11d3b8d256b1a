"""What a copy of a recording is recognised by without decoding it: hashes of coded packets.

They survive another container and cutting at key frames: of H.264 and HEVC only the slices
are hashed (NAL unit types of ITU-T H.264 table 7-1 and H.265 table 7-1), whether they stand
behind start codes (Annex B) or lengths; parameter sets, delimiters and messages, which a
container may move, are left out. Packets that hold next to nothing (a black picture, silence)
are left out too: they are alike in recordings that have nothing to do with each other.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from contextlib import closing
from hashlib import blake2b
from pathlib import Path
from typing import Any

from pipeline.media.container import attached, open_media
from pipeline.media.nal import PICTURE_STARTS
from pipeline.model.consent import KnownSource

# Beside the key frames, one packet in this many is kept, chosen by its own hash: so a part
# of a recording keeps the same ones. Of streams of key frames alone, one in `ONE_KEY_IN`.
ONE_IN = 16
ONE_KEY_IN = 4
ONE_SOUND_IN = 8
# A packet says something if it cannot be packed below this. A black or plain picture packs to
# a thousandth of its pixels or less, one of tissue at a low rate (0.05 bits a pixel) to 1/160.
PICTURE_BYTES_PER_PIXEL = 1 / 500
SOUND_BYTES = 64
# A picture that stands still, as recorders show before the scope is plugged in, is the same in
# every recording. What follows its key frame holds next to nothing: 20 to 500 bytes a packet
# in 1920x1080 (H.264, MPEG-2; from memory), where the noise of a camera alone takes more.
STILL_BYTES_PER_PIXEL = 1 / 3000
_PACKED = 1 << 16  # so much of a packet is looked at
_DENSE = 32  # packets after which a stream of key frames alone is known as one
REPEATED = 4  # packets may hold this many times the bytes of the file
_START = re.compile(b"\x00\x00\x01")


def coded_packets(path: Path, sha256: str) -> KnownSource:
    """The hashes of a file's coded packets, from one reading without decoding.

    What can be read of a damaged file counts. Raises InputError if it cannot be opened.
    """
    import av

    size, read = path.stat().st_size, 0
    with closing(open_media(path)) as container:
        streams = {
            s.index: _Stream(s)
            for s in container.streams
            if s.type in ("video", "audio") and s.codec_context is not None and not attached(s)
        }
        wanted = [s for s in container.streams if s.index in streams]
        try:
            for packet in container.demux(wanted):
                read += packet.size
                if packet.size:
                    streams[packet.stream.index].add(bytes(packet), packet.is_keyframe)
                if read > REPEATED * size + (1 << 20):
                    break
        except (av.error.FFmpegError, OSError, ValueError, MemoryError):
            pass  # the rest cannot be read by anyone
    found: dict[bool, set[int]] = {True: set(), False: set()}
    for stream in streams.values():
        found[stream.sound] |= stream.kept()
    pictures, sounds = ([f"{p:016x}" for p in sorted(found[s])] for s in (False, True))
    return KnownSource(sha256=sha256, pictures=pictures, sounds=sounds)


class _Stream:
    """The packets of one stream."""

    def __init__(self, stream: Any) -> None:
        context = stream.codec_context
        self.codec: str = context.name
        self.sound = stream.type == "audio"
        pixels = 0 if self.sound else (context.width or 0) * (context.height or 0)
        self._least = SOUND_BYTES if self.sound else pixels * PICTURE_BYTES_PER_PIXEL
        self._length = _length_bytes(self.codec, bytes(context.extradata or b""))
        self._still = pixels * STILL_BYTES_PER_PIXEL
        self._keys: set[int] = set()
        self._one_in = ONE_SOUND_IN if self.sound else ONE_IN
        self._open: int | None = None  # the key frame that what follows belongs to
        self._after: list[int] = []
        self._last = -1
        self._sampled: set[int] = set()
        self._count = self._key_count = 0

    @property
    def _dense(self) -> bool:
        return self._count > _DENSE and self._key_count > self._count / 2

    def add(self, data: bytes, key: bool) -> None:
        if self.codec.startswith("pcm_"):
            return  # cut into packets anew by every container
        parts, intra = self._payload(data)
        key = not self.sound and (key if intra is None else intra)
        self._count += 1
        self._key_count += key
        digest = blake2b(digest_size=8)
        for part in parts:
            digest.update(part)
        mark = int.from_bytes(digest.digest(), "big")
        if key:
            self._close()
            same, self._last = mark == self._last, mark
            thinned = self._dense and mark % ONE_KEY_IN
            if not same and not thinned and self._says_something(parts):
                self._open = mark
        else:
            self._after.append(sum(map(len, parts)))
            if mark % self._one_in == 0 and self._says_something(parts):
                self._sampled.add(mark)

    def _close(self) -> None:
        """Keep the last key frame, unless the picture stood still after it."""
        still = self._after and sum(self._after) < self._still * len(self._after)
        if self._open is not None and not still:
            self._keys.add(self._open)
        self._open, self._after = None, []

    def kept(self) -> set[int]:
        self._close()
        return self._sampled | self._keys

    def _says_something(self, parts: list[bytes]) -> bool:
        data = b"".join(parts)
        return len(data) >= self._least and len(zlib.compress(data[:_PACKED], 1)) >= min(
            self._least, _PACKED // 2
        )

    def _payload(self, data: bytes) -> tuple[list[bytes], bool | None]:
        """The parts of a packet that no container changes; whether it is a picture of its
        own, where the packet itself says so."""
        if self.codec in ("h264", "hevc"):
            units = list(nal_units(data, self._length))
            slices = [u for u in units if _is_slice(self.codec, u)]
            if slices:
                return slices, _is_intra(self.codec, slices[0])
        if self.codec == "aac":
            return [_without_adts(data)], None
        start = PICTURE_STARTS.get(self.codec)
        if start is not None:
            data = data[max(0, data.find(start)) :]
        return [data.rstrip(b"\x00")], None


def _length_bytes(codec: str, extradata: bytes) -> int:
    """Bytes of a NAL unit's length (ISO/IEC 14496-15, avcC and hvcC); 0 for start codes."""
    if extradata[:3] == b"\x00\x00\x01" or extradata[:4] == b"\x00\x00\x00\x01":
        return 0
    if codec == "h264" and len(extradata) > 6:
        return (extradata[4] & 3) + 1
    if codec == "hevc" and len(extradata) > 22:
        return (extradata[21] & 3) + 1
    return 0


def nal_units(data: bytes, length_bytes: int) -> Iterator[bytes]:
    """The NAL units of a packet. length_bytes: of the length before each; 0 for start codes."""
    if length_bytes:
        at, found = 0, []
        while at + length_bytes <= len(data):
            size = int.from_bytes(data[at : at + length_bytes], "big")
            at += length_bytes
            found.append(data[at : at + size].rstrip(b"\x00"))
            at += size
        if at == len(data):
            yield from found
            return
        # The lengths do not add up: some recorders write start codes under such a header.
    starts = [m.end() for m in _START.finditer(data)]
    for start, stop in zip(starts, [*(s - 3 for s in starts[1:]), len(data)], strict=False):
        yield data[start:stop].rstrip(b"\x00")


def _is_slice(codec: str, unit: bytes) -> bool:
    if not unit:
        return False
    if codec == "h264":
        return 1 <= unit[0] & 31 <= 5
    return (unit[0] >> 1) & 63 < 32


def _is_intra(codec: str, unit: bytes) -> bool:
    """True for a slice of a picture that needs no other: by its type, not by the container."""
    if codec == "hevc":
        return 16 <= (unit[0] >> 1) & 63 <= 23  # IRAP
    if unit[0] & 31 == 5:  # IDR
        return True
    bits = int.from_bytes(unit[1:17].ljust(16, b"\x00"), "big")
    at = 128

    def golomb() -> int:
        """Exp-Golomb code ue(v), ITU-T H.264 clause 9.1."""
        nonlocal at
        zeros = 0
        while at > 0 and not (bits >> (at - 1)) & 1:
            zeros, at = zeros + 1, at - 1
        at -= zeros + 1
        return ((bits >> max(0, at)) & ((1 << (zeros + 1)) - 1)) - 1

    golomb()  # first_mb_in_slice
    return golomb() % 5 in (2, 4)  # slice_type I or SI, table 7-6


def _without_adts(data: bytes) -> bytes:
    """AAC without the header that transport streams put before it (ISO/IEC 13818-7, 6.2)."""
    if len(data) > 7 and data[0] == 0xFF and data[1] & 0xF6 == 0xF0:
        length = (data[3] & 3) << 11 | data[4] << 3 | data[5] >> 5
        if length == len(data):
            return data[7 if data[1] & 1 else 9 :]
    return data
