"""The invisible release code: a number under an error-correcting code, as signs of cells. Pure.

A number of 16 bits and its checksum (CRC-8, polynomial 07, as in ITU-T I.432.1 without the
added pattern) are two words of the extended Golay code (24, 12, 8): cyclic with the generator
x^11 + x^10 + x^6 + x^5 + x^4 + x^2 + 1, data first, then its remainder, then an even parity bit
(MacWilliams and Sloane 1977, 'The Theory of Error-Correcting Codes', ch. 2 and 20). Two words
differ in 8 bits at least, so that 3 wrong bits of each 24 are put right.

The square around the disc has `CELLS` x `CELLS` cells. In each second of the clip a keyed stream
gives every cell a sign and one of the 48 bits; who has not the key cannot tell them from noise.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

NUMBERS = 1 << 16
BITS = 48
CELLS = 24
SAMPLES = 8  # of a cell each way, where its texture is looked at
GRID = CELLS * SAMPLES
MOST_WRONG = 3  # bits of each word that are put right
_REACH = 0.94  # radii: further out is the rim
_DARK, _LIGHT = 32.0, 224.0  # mean levels between which a cell is changed
# Levels at the middle of a cell, by the standard deviation inside of it.
_LEAST, _OF_TEXTURE, _MOST = 0.9, 0.15, 2.2
_GOLAY = 0b110001110101
_WORD = 24
_HARDLY = 0.2  # of what the surer quarter of the bits say at least

Grid = NDArray[np.float32]


def _with_remainder(data: int) -> int:
    """24 bits: 12 of data, 11 of remainder, parity."""
    rest = data << 11
    for bit in range(22, 10, -1):
        if rest >> bit & 1:
            rest ^= _GOLAY << (bit - 11)
    word = data << 11 | rest
    return word << 1 | word.bit_count() % 2


@cache
def golay_words() -> NDArray[np.int8]:
    """(4096, 24) of +1 for a bit that is 0 and -1 for one that is 1, in order of their data."""
    words = np.array([_with_remainder(d) for d in range(1 << 12)])
    bits = words[:, None] >> np.arange(_WORD - 1, -1, -1) & 1
    return np.asarray(1 - 2 * bits, np.int8)


def crc8(data: bytes) -> int:
    """Polynomial x^8 + x^2 + x + 1, starting at 0, not reflected."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ 0x107 if value & 0x80 else value << 1) & 0xFF
    return value


def codeword(number: int) -> NDArray[np.int8]:
    """(48) signs of a number. Raises ValueError for one of more than 16 bits."""
    if not 0 <= number < NUMBERS:
        raise ValueError(f"a number of 16 bits is wanted: {number}")
    data = number << 8 | crc8(number.to_bytes(2, "big"))
    return golay_words()[[data >> 12, data & 0xFFF]].ravel()


def number_of(seed: str, name: str) -> int:
    """The number of the release of that name, by the secret seed."""
    digest = hashlib.sha256(f"{seed}|{name}".encode()).digest()
    return int.from_bytes(digest[:2], "big")


@dataclass(frozen=True)
class Decoded:
    """errors: bits that had to be put right. None of a number: nothing could be read."""

    number: int | None
    errors: int


def decoded(soft: NDArray[np.float64]) -> Decoded:
    """The number that 48 values speak for: + for a bit that is 0, the further from 0 the surer."""
    words = golay_words()
    data, errors, sure = 0, 0, True
    for part in (soft[:_WORD], soft[_WORD:]):
        best = int((words @ part).argmax())
        wrong = int((words[best] * part <= 0).sum())
        errors += wrong
        sure = sure and wrong <= MOST_WRONG
        data = data << 12 | best
    number, check = data >> 8, data & 0xFF
    good = sure and crc8(number.to_bytes(2, "big")) == check
    return Decoded(number if good else None, errors)


def errors_of(soft: NDArray[np.float64], number: int) -> int:
    """Bits that speak against a number, or hardly for it.

    In the mean of two copies the bits in which these differ say next to nothing, and whatever is
    left of the release's own code would decide them.
    """
    strong = float(np.quantile(np.abs(soft), 0.75))
    return int((soft * codeword(number) <= _HARDLY * strong).sum())


def chance(errors: int, numbers: int) -> float:
    """That bits of pure chance lie within so many errors of one of so many given numbers."""
    near = sum(math.comb(BITS, k) for k in range(errors + 1))
    return min(1.0, numbers * near / 2.0**BITS)


@cache
def _cells_of(seed: str, second: int) -> tuple[NDArray[np.int8], NDArray[np.intp]]:
    count = CELLS * CELLS
    stream = hashlib.shake_256(f"{seed}|{second}".encode()).digest(4 * count)
    drawn = np.frombuffer(stream, ">u4").astype(np.int64)
    sign = np.asarray(1 - 2 * (drawn & 1), np.int8).reshape(CELLS, CELLS)
    bit = np.empty(count, np.intp)
    bit[np.argsort(drawn >> 1, kind="stable")] = np.arange(count) % BITS
    return sign, bit.reshape(CELLS, CELLS)


def second_of(time_s: float) -> int:
    """The second of the clip that a picture lies in; a file rounds its times."""
    return max(0, math.floor(time_s + 0.004))


def signs(seed: str, number: int, time_s: float) -> Grid:
    """(CELLS, CELLS) of +1 and -1 for a picture at that time of the clip."""
    sign, bit = _cells_of(seed, second_of(time_s))
    return np.asarray(sign * codeword(number)[bit], np.float32)


@cache
def _inside() -> NDArray[np.bool_]:
    at = (np.arange(CELLS) + 0.5) / CELLS * 2 - 1
    return np.asarray(np.hypot(at[:, None], at[None, :]) <= _REACH, bool)


def strength(square: NDArray[np.uint8] | NDArray[np.float32]) -> Grid:
    """(CELLS, CELLS) levels at the middle of each cell; square: (GRID, GRID) luma, 0..255."""
    parts = np.asarray(square, np.float32).reshape(CELLS, SAMPLES, CELLS, SAMPLES)
    mean, texture = parts.mean(axis=(1, 3)), parts.std(axis=(1, 3))
    found = np.clip(_LEAST + _OF_TEXTURE * texture, _LEAST, _MOST)
    drawn = _inside() & (mean > _DARK) & (mean < _LIGHT)
    return np.where(drawn, found, 0).astype(np.float32)


def bits_of(seed: str, time_s: float, weighed: Grid) -> NDArray[np.float64]:
    """(48) sums of cells that speak for a bit; weighed: (CELLS, CELLS) what was seen of each."""
    sign, bit = _cells_of(seed, second_of(time_s))
    return np.asarray(np.bincount(bit.ravel(), (sign * weighed).ravel(), BITS), np.float64)
