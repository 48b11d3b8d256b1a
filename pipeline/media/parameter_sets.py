"""H.264 parameter sets read to the last bit, so that nothing is hidden in or behind them.

ITU-T H.264 7.3.2.1.1 (sequence), 7.3.2.2 (picture), annex E.1 (VUI). Every number has to be
one that the standard allows or, where it allows any, too small to be four letters.
"""

from __future__ import annotations

_HIGH = {100, 110, 122, 244, 44}  # profiles with the chroma fields; the rest is not for MP4 clips
_OLD = {66, 77, 88}
_LARGEST_TICK = 20_000_000


class _Odd(Exception):
    """A value that no encoder writes."""


class _Bits:
    def __init__(self, unit: bytes) -> None:
        """unit: a NAL unit; its emulation prevention (7.4.1) is taken out."""
        data = unit[1:].replace(b"\0\0\3", b"\0\0")
        self._text = "".join(f"{byte:08b}" for byte in data)
        self._at = 0

    def take(self, count: int, most: int | None = None) -> int:
        bits = self._text[self._at : self._at + count]
        if len(bits) != count:
            raise _Odd
        self._at += count
        value = int(bits, 2) if count else 0
        if most is not None and value > most:
            raise _Odd
        return value

    def golomb(self, most: int) -> int:
        """ue(v), 9.1; se(v) gives numbers of the same size."""
        zeros = 0
        while not self.take(1):
            zeros += 1
            if zeros > 20:
                raise _Odd
        value = (1 << zeros) - 1 + self.take(zeros)
        if value > most:
            raise _Odd
        return value

    def more(self) -> bool:
        """more_rbsp_data, 7.2: whether anything lies before the last 1."""
        return self._at < self._text.rstrip("0").rfind("1")

    def end(self) -> None:
        """rbsp_trailing_bits, 7.3.2.11: a 1 and at most seven 0, then nothing."""
        rest = self._text[self._at :]
        if not (1 <= len(rest) <= 8 and rest == "1".ljust(len(rest), "0")):
            raise _Odd


def plain_sets(sequence: bytes, picture: bytes, width: int, height: int) -> bool:
    """Whether both sets are whole, hold nothing more, and give pictures of this size in pixels."""
    try:
        return _sequence(_Bits(sequence)) == (width, height) and _picture(_Bits(picture))
    except _Odd:
        return False


def _sequence(bits: _Bits) -> tuple[int, int]:
    profile = bits.take(8)
    bits.take(6)
    bits.take(2, 0)
    bits.take(8, 62)  # level
    bits.golomb(31)
    chroma = 1
    if profile in _HIGH:
        chroma = bits.golomb(3)
        if chroma == 3:
            bits.take(1, 0)
        bits.golomb(6), bits.golomb(6)
        bits.take(1)
        bits.take(1, 0)  # scaling lists
    elif profile not in _OLD:
        raise _Odd
    bits.golomb(12)
    order = bits.golomb(2)
    if order == 0:
        bits.golomb(12)
    elif order == 1:
        raise _Odd
    bits.golomb(16)
    bits.take(1)
    across, up = bits.golomb(1023) + 1, bits.golomb(1023) + 1
    frames_only = bits.take(1)
    if not frames_only:
        bits.take(1)
    bits.take(1)
    left = right = top = bottom = 0
    if bits.take(1):
        left, right, top, bottom = (bits.golomb(255) for _ in range(4))
    if bits.take(1):
        _usability(bits)
    bits.end()
    unit_x = 2 if chroma in (1, 2) else 1
    unit_y = (2 if chroma == 1 else 1) * (2 - frames_only)
    width = across * 16 - unit_x * (left + right)
    return width, up * 16 * (2 - frames_only) - unit_y * (top + bottom)


def _usability(bits: _Bits) -> None:
    """VUI, E.1.1."""
    if bits.take(1) and bits.take(8) == 255:
        bits.take(16, 0x1FFF), bits.take(16, 0x1FFF)
    if bits.take(1):
        bits.take(1)
    if bits.take(1):
        bits.take(3, 5)
        bits.take(1)
        if bits.take(1):
            for _ in range(3):
                bits.take(8, 22)
    if bits.take(1):
        bits.golomb(5), bits.golomb(5)
    if bits.take(1):
        bits.take(32, _LARGEST_TICK), bits.take(32, _LARGEST_TICK)
        bits.take(1)
    hypothetical = [_hypothetical(bits) for _ in range(2) if bits.take(1)]
    if hypothetical:
        bits.take(1)
    bits.take(1)
    if bits.take(1):
        bits.take(1)
        for most in (16, 16, 16, 16, 16, 16):
            bits.golomb(most)


def _hypothetical(bits: _Bits) -> bool:
    """HRD of one buffer, E.1.2."""
    bits.golomb(0)
    bits.take(8)
    bits.golomb(1 << 20), bits.golomb(1 << 20)
    bits.take(1)
    bits.take(20)
    return True


def _picture(bits: _Bits) -> bool:
    bits.golomb(255), bits.golomb(31)
    bits.take(2)
    bits.golomb(0)  # slice groups
    bits.golomb(31), bits.golomb(31)
    bits.take(1)
    bits.take(2, 2)
    for most in (104, 104, 24):
        bits.golomb(most)
    bits.take(3)
    if bits.more():
        bits.take(1)
        bits.take(1, 0)  # scaling lists
        bits.golomb(24)
    bits.end()
    return True
