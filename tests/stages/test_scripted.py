"""Captions from a script, held against voices whose words and times are known."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from pipeline.analysis.sound.speech import SpeechFold
from pipeline.analysis.sound.speech_spans import narration_spans
from pipeline.errors import InputError
from pipeline.media.captions import Cue
from pipeline.media.script_file import read_script
from pipeline.media.stems import Stem, write_stem
from pipeline.stages.scripted import captions_by_ear

SAMPLE = Path(__file__).resolve().parents[2] / "sample_media"
PROMPTS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
# What some of Debian's asterisk-core-sounds-en-g722 say (CC-BY-SA 3.0), by core-sounds-en.txt of
# the package asterisk-core-sounds-en: recorded speech of one woman.
SAID = {
    "agent-incorrect": "Login incorrect. Please enter your agent number followed by the pound key.",
    "agent-newlocation": "Please enter a new extension, followed by pound.",
    "all-circuits-busy-now": "All circuits are busy now.",
    "cannot-complete-as-dialed": "Your call cannot be completed as dialed.",
    "check-number-dial-again": "Please check the number and dial again.",
    "basic-pbx-ivr-main": "Thank you for calling Super Awesome Company, Waldo's premier provider of"
    " perfect products. If you know your party's extension, you may dial it at any time. To"
    " establish a sales partnership, press one. To speak with a customer advocate, press two. For"
    " accounting and other receivables, press three. For a company directory, press four. For an"
    " operator, press zero.",
}
NEVER_SAID = "The curette stays in the outer third of the canal."


def stem(sound: np.ndarray, folder: Path) -> Stem:
    """(sample,) at 48 kHz as a stem of one channel."""
    return write_stem(folder / "voice.f32", 1, iter([sound[None].astype(np.float32)]))


def captions(sound: np.ndarray, text: str, folder: Path) -> tuple[list[Cue], list[str]]:
    fold = SpeechFold(1)
    fold.step(sound[None].astype(np.float32))
    (folder / "script.txt").write_text(text, encoding="utf-8")
    told: list[str] = []
    voice = stem(sound, folder)
    return captions_by_ear(folder / "script.txt", voice, narration_spans(fold.finish()), told), told


def sample_voice() -> tuple[np.ndarray, list[tuple[float, float, str]]]:
    sound, rate = soundfile.read(SAMPLE / "voice.flac", dtype="float32")
    truth = json.loads((SAMPLE / "truth.json").read_text())["narration"]["said"]
    said = [(t["spans_s"][0][0], t["spans_s"][-1][1], t["words"]) for t in truth]
    return np.asarray(soxr.resample(sound, rate, 48_000)), said


def test_the_sample_narrator_is_followed_and_what_she_never_says_is_left_out(
    tmp_path: Path,
) -> None:
    sound, said = sample_voice()
    script = [words for _, _, words in said]
    text = "\n\n".join([*script[:3], NEVER_SAID, *script[3:]])
    cues, told = captions(sound, text, tmp_path)
    starts = np.asarray([a for a, _, _ in cues])
    assert all(np.abs(starts - a).min() < 0.06 for a, _, _ in said)
    words = " ".join(" ".join(t.split()) for _, _, t in cues)
    assert words == " ".join(script)
    assert [a < b <= c for (_, b, _), (c, _, _), a in zip(cues, cues[1:], starts, strict=False)]
    assert len(told) == 1 and "1 of 11 sentences" in told[0] and "line 7)" in told[0]


@pytest.mark.slow
def test_a_script_that_nobody_reads_out_is_refused(tmp_path: Path) -> None:
    sound, _ = sample_voice()
    for text in ("第一。这里是耳道。", "Le conduit est propre et sec.\nOn arrête là."):
        with pytest.raises(InputError, match="Nothing of the script was heard"):
            captions(sound, text, tmp_path)


@pytest.mark.parametrize(
    ("data", "what"),
    [(b"", "empty"), (b" \n- \n", "empty"), (b"\xff\xfeA", "cannot be read"),
     (b"a " * 100_001, "large"),
     (b"WEBVTT\n\n00:01.000 --> 00:02.000\nFog.\n", "holds times")],
)  # fmt: skip
def test_what_is_no_script_is_refused(data: bytes, what: str, tmp_path: Path) -> None:
    (tmp_path / "s.txt").write_bytes(data)
    with pytest.raises(InputError, match=what):
        read_script(tmp_path / "s.txt")


def test_what_is_said_beside_the_script_is_told(tmp_path: Path) -> None:
    sound, said = sample_voice()
    cues, told = captions(sound, "\n".join(words for _, _, words in said[:4]), tmp_path)
    assert max(b for _, b, _ in cues) < said[4][0]
    assert len(told) == 1 and "that were not found in the script" in told[0]


def test_a_recorded_voice_is_followed(tmp_path: Path) -> None:
    """Starts within 20 ms in the median and 60 ms for 95 of 100."""
    if not PROMPTS.exists():
        if os.environ.get("CI"):
            pytest.fail("the package asterisk-core-sounds-en-g722 is not installed")
        pytest.skip("asterisk-core-sounds-en-g722 is not installed")
    rng = np.random.default_rng(5)
    parts, starts, at = [], [], 0
    for name in SAID:
        voice = spoken(PROMPTS / f"{name}.g722")
        pause = np.zeros(round(rng.uniform(0.4, 3) * 16_000), np.float32)
        starts.append((at + pause.size) / 16_000)
        parts += [pause, voice]
        at += pause.size + voice.size
    sound = np.concatenate([*parts, np.zeros(16_000, np.float32)])
    sound += (10 ** (-65 / 20) * rng.standard_normal(sound.size)).astype(np.float32)
    cues, told = captions(
        soxr.resample(sound, 16_000, 48_000), "\n\n".join(SAID.values()), tmp_path
    )
    assert told == []
    found = np.asarray([a for a, _, _ in cues])
    off = [np.abs(found - start).min() for start in starts]
    assert np.median(off) <= 0.02 and np.percentile(off, 95) <= 0.06
    words = " ".join(" ".join(t.split()) for _, _, t in cues)
    assert words == " ".join(SAID.values())


def spoken(path: Path) -> np.ndarray:
    """A prompt at 16 kHz (sample,) from its first sound to its last, at -22 dB RMS."""
    import av

    with av.open(str(path), format="g722") as container:
        sound = np.concatenate([f.to_ndarray()[0] for f in container.decode(audio=0)]) / 32768.0
    level = np.sqrt(np.convolve(np.square(sound), np.ones(160) / 160, "same"))
    loud = np.flatnonzero(level > level.max() * 10 ** (-38 / 20))
    cut = sound[loud[0] : loud[-1]]
    return (cut / np.sqrt(np.mean(cut**2)) * 10 ** (-22 / 20)).astype(np.float32)
