"""Live narration: a sound that holds voice and procedure, split into the two by RNNoise."""

from __future__ import annotations

import ctypes
from collections.abc import Iterable, Iterator
from importlib.metadata import PackageNotFoundError, files
from typing import Any

import numpy as np

from pipeline.analysis.sound.narration import Samples
from pipeline.errors import UsageError

_RNNOISE_HOP = 480


def _rnnoise() -> Any:
    """The RNNoise library inside the wheel pyrnnoise, loaded without its Python side.

    Its Python package would pull matplotlib and more into the process.
    Raises UsageError if the wheel is not installed.
    """
    try:
        shipped = files("pyrnnoise") or []
    except PackageNotFoundError:
        shipped = []
    for item in sorted(shipped, key=str):
        if "rnnoise" in item.name and item.name.endswith((".so", ".dylib", ".dll")):
            library = ctypes.CDLL(str(item.locate()))
            library.rnnoise_create.argtypes = [ctypes.c_void_p]
            library.rnnoise_create.restype = ctypes.c_void_p
            library.rnnoise_destroy.argtypes = [ctypes.c_void_p]
            pointer = ctypes.POINTER(ctypes.c_float)
            library.rnnoise_process_frame.argtypes = [ctypes.c_void_p, pointer, pointer]
            library.rnnoise_process_frame.restype = ctypes.c_float
            return library
    raise UsageError(
        "Live narration needs the package that splits voice from room",
        "pyrnnoise is not installed",
        "run: pip install 'fieldstop[live]', or give the narration as a file or a channel",
    )


def live_available() -> bool:
    """True if live narration can be split here."""
    try:
        _rnnoise()
    except UsageError:
        return False
    return True


class LiveSplit:
    """Splits one microphone into the voice and the rest, sample-aligned.

    Takes blocks (channel, n) at 48 kHz; the channels are split one by one. The voice
    that RNNoise gives comes `delay` samples late; the sound is held back by as much,
    and rest = sound - voice, so voice + rest is the sound again, sample by sample.
    The rest still holds speech: it is never anonymised.
    Raises UsageError if pyrnnoise is not installed.
    """

    delay = 960

    def __init__(self, channels: int) -> None:
        self._library = _rnnoise()
        self._states = [self._library.rnnoise_create(None) for _ in range(channels)]
        self._waiting = np.zeros((channels, 0), np.float32)
        self._sound = np.zeros((channels, 0), np.float32)
        self._skip = self.delay

    def __del__(self) -> None:
        for state in getattr(self, "_states", []):
            self._library.rnnoise_destroy(state)

    def step(self, block: Samples) -> tuple[Samples, Samples]:
        """(voice, rest) that are ready, each (channel, m), m may be 0."""
        block = np.asarray(block, dtype=np.float32)
        self._sound = np.concatenate([self._sound, block], axis=1)
        self._waiting = np.concatenate([self._waiting, block], axis=1)
        hops = self._waiting.shape[1] // _RNNOISE_HOP
        frames = self._waiting[:, : hops * _RNNOISE_HOP] * np.float32(32768.0)
        self._waiting = self._waiting[:, hops * _RNNOISE_HOP :].copy()
        voice = np.ascontiguousarray(frames)
        pointer = ctypes.POINTER(ctypes.c_float)
        for row, state in zip(voice, self._states, strict=True):
            for at in range(0, row.size, _RNNOISE_HOP):
                place = row[at : at + _RNNOISE_HOP].ctypes.data_as(pointer)
                self._library.rnnoise_process_frame(state, place, place)
        voice /= np.float32(32768.0)
        dropped = min(self._skip, voice.shape[1])
        self._skip -= dropped
        voice = voice[:, dropped:]
        sound = self._sound[:, : voice.shape[1]]
        self._sound = self._sound[:, voice.shape[1] :].copy()
        return voice, sound - voice

    def finish(self) -> tuple[Samples, Samples]:
        """What is still inside."""
        left = self._sound.shape[1]
        zeros = np.zeros((self._sound.shape[0], self.delay + _RNNOISE_HOP), np.float32)
        voice, rest = self.step(zeros)
        return voice[:, :left], rest[:, :left]


def split_live(blocks: Iterable[Samples]) -> Iterator[tuple[Samples, Samples]]:
    """(voice, rest) of a stream of blocks (channel, n) at 48 kHz; see `LiveSplit`."""
    split: LiveSplit | None = None
    for block in blocks:
        split = split or LiveSplit(block.shape[0])
        voice, rest = split.step(block)
        if voice.shape[1]:
            yield voice, rest
    if split is not None:
        voice, rest = split.finish()
        if voice.shape[1]:
            yield voice, rest
