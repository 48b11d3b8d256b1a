"""Teaches the third detector of speech (pipeline/analysis/sound/speech_net.py).

    python tests/benchmarks/speech_teach.py shards FOLDER [--first 0] [--count 100]
    python tests/benchmarks/speech_teach.py fit FOLDER --out speech_net.npz [--minutes 20]

`fit` needs jax, which is no dependency of Fieldstop: pip install jax, in an environment of
its own. `shards` makes clips of 10 s: voices in generated rooms (speech_scenes.py) among
generated procedure sounds, at -15 to 25 dB, coded, band-limited, clipped, levelled.

What it was taught on: of Debian's asterisk-core-sounds-{en,es,fr}-g722 (recorded speech of
CC-BY-SA 3.0) six files of ten by the hash of their path, and of
-it- (CC-BY 3.0) likewise; the Russian voice not at all; voices of espeak-ng and
flite speaking made-up words. No recorded sound of a procedure, and none of a person's own.
"""

from __future__ import annotations

import argparse
import hashlib
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.signal import butter, fftconvolve, sosfilt

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from speech_scenes import Rng, Sound, between, level, procedure, room, tinted  # noqa: E402

from pipeline.analysis.sound.speech import SpeechFold  # noqa: E402
from pipeline.analysis.sound.speech_net import (  # noqa: E402
    DILATIONS,
    FEATURES,
    FRAME_HOP,
    RATE_HZ,
    TAPS,
    features,
)

PROMPTS = Path("/usr/share/asterisk/sounds")
NOT_SPEECH = ("beep", "tone", "silence", "confbridge-join", "confbridge-leave", "monkeys", "music")
CLIP_S = 10
CLIP = CLIP_S * RATE_HZ // 512 * 512
CLIPS = 60  # in a shard
LANGUAGES = (  # noqa: SIM905
    "en en-us de fr es it pt-br nl sv da pl cs hu fi el tr ar hi cmn ja vi id sw"
).split()
VARIANTS = (  # noqa: SIM905
    "f1 f2 f3 f4 f5 m1 m2 m3 m4 m5 m6 m7 m8 whisper whisperf klatt klatt3 croak"
).split()
SYLLABLES = (  # noqa: SIM905
    "an ba ka do mi lu se ro ti na per stra len ko fi gu ha ve sho jo kri ma pla tor be ne"
    " sil wa yu zen dra es ol ri pon te chi lar mo"
).split()


def part_of(path: Path) -> str:
    """'teach', 'dev' or 'held', by the hash of the language and the file's name."""
    if "ru_RU" in str(path):
        return "held"
    value = hashlib.sha256(f"{path.parent.name}/{path.name}".encode()).digest()[0]
    return "teach" if value < 154 else "dev" if value < 205 else "held"


def prompts(part: str) -> list[Path]:
    return [
        p for p in sorted(PROMPTS.rglob("*.g722"))
        if not any(word in str(p.relative_to(PROMPTS)) for word in NOT_SPEECH)
        and part_of(p) == part
    ]  # fmt: skip


def read_prompt(path: Path) -> Sound:
    import av

    with av.open(str(path), format="g722") as container:
        parts = [frame.to_ndarray() for frame in container.decode(audio=0)]
    return np.concatenate(parts, axis=1)[0].astype(np.float64) / 32768


def spoken(rng: Rng, folder: Path) -> Sound:
    """Made-up words, or one short call, by a synthetic voice."""
    words = [
        "".join(rng.choice(SYLLABLES, int(rng.integers(1, 4))))
        for _ in range(int(rng.choice([1, 1, 2, 4, 7, 10])))
    ]
    text, out = " ".join(words), folder / "spoken.wav"
    if rng.random() < 0.8:
        voice = f"{rng.choice(LANGUAGES)}+{rng.choice(VARIANTS)}"
        how = ["-s", str(int(rng.integers(110, 260))), "-p", str(int(rng.integers(10, 95)))]
        command = ["espeak-ng", "-v", voice, *how, "-w", str(out), text]
    else:
        command = ["flite", "-voice", str(rng.choice(["kal16", "awb", "rms", "slt"])),
                   "-t", text, "-o", str(out)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)
    samples, rate = soundfile.read(out, dtype="float64")
    return np.asarray(soxr.resample(samples, rate, RATE_HZ))


def whispered(rng: Rng, voice: Sound) -> Sound:
    """The spectrum's envelope filled with noise."""
    size = 400
    padded = np.pad(voice, (0, size - voice.size % size + size))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[:: size // 2]
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    envelope = gaussian_filter1d(np.abs(np.fft.rfft(frames * window, axis=1)), 5, axis=1)
    random = np.fft.rfft(rng.standard_normal(frames.shape), axis=1) / size**0.5
    tilt = np.linspace(0.2, 1, envelope.shape[1]) ** rng.uniform(0.3, 1.5)
    pieces = np.fft.irfft(envelope * random * tilt, size, axis=1) * window
    out = np.zeros(padded.size)
    for k, piece in enumerate(pieces):
        out[k * size // 2 : k * size // 2 + size] += piece
    return out[: voice.size]


def changed(rng: Rng, voice: Sound) -> Sound:
    """Another speaker: larger or smaller, brighter or duller, sometimes whispering."""
    if rng.random() < 0.7:
        voice = np.asarray(soxr.resample(voice, RATE_HZ, RATE_HZ / rng.uniform(0.78, 1.4)))
    if rng.random() < 0.1:
        voice = whispered(rng, voice)
    if rng.random() < 0.6:
        voice = tinted(rng, voice, rng.uniform(1, 6))
    return level(voice, -26 + rng.uniform(-6, 6))


def sounding(voice: Sound) -> NDArray[np.bool_]:
    """(frame,): within 25 dB of the loud ones."""
    count = voice.size // FRAME_HOP
    power = np.square(voice[: count * FRAME_HOP].reshape(count, FRAME_HOP)).mean(axis=1)
    return np.asarray(power > np.percentile(power[power > 0], 95) * 10**-2.5)


def track(rng: Rng, voices: list[Sound]) -> tuple[Sound, NDArray[np.bool_]]:
    """Voices with pauses, CLIP long, and which frames sound."""
    out, active = np.zeros(CLIP), np.zeros(CLIP // FRAME_HOP, bool)
    short = rng.random() < 0.3
    at = int(rng.uniform(-2, 5) * RATE_HZ)
    while at < CLIP:
        voice = changed(rng, voices[int(rng.integers(len(voices)))])
        if np.abs(voice).max() < 1e-6:
            continue
        if short:
            size = int(rng.uniform(0.2, 0.5) * RATE_HZ)
            loud = np.flatnonzero(np.repeat(sounding(voice), FRAME_HOP))
            begin = int(rng.choice(loud[: max(1, loud.size - size)]))
            voice = voice[begin : begin + size] * np.hanning(size)[: voice[begin:].size] ** 0.2
        begin = max(0, -at) // FRAME_HOP * FRAME_HOP
        voice = voice[begin:]
        at = max(0, at) // FRAME_HOP * FRAME_HOP
        voice = voice[: CLIP - at]
        if voice.size > 8 * FRAME_HOP and np.abs(voice).max() > 1e-6:
            out[at : at + voice.size] += voice
            flags = sounding(voice)
            active[at // FRAME_HOP :][: flags.size] |= flags
        pause_s = between(rng, 1, 8) if short else between(rng, 0.2, 6)
        at += voice.size + int(pause_s * RATE_HZ)
    return out, active


def spoilt(rng: Rng, sound: Sound) -> Sound:
    """Microphone, automatic gain, clipping, few bits."""
    if rng.random() < 0.35:
        sos = butter(4, between(rng, 3400, 7900), fs=RATE_HZ, output="sos")
        sound = sosfilt(sos, sound)
    if rng.random() < 0.3:
        sound = sosfilt(butter(2, between(rng, 60, 400), "high", fs=RATE_HZ, output="sos"), sound)
    if rng.random() < 0.5:
        sound = tinted(rng, sound, rng.uniform(1, 8))
    if rng.random() < 0.2:  # automatic gain
        power = np.sqrt(gaussian_filter1d(np.square(sound), RATE_HZ * between(rng, 0.03, 0.5)))
        sound = sound / (power + 1e-6) ** rng.uniform(0.3, 1)
    peak = np.abs(sound).max() + 1e-9
    if rng.random() < 0.1:
        sound = np.clip(sound, -peak * rng.uniform(0.05, 0.5), peak * rng.uniform(0.05, 0.5))
    return sound / (np.abs(sound).max() + 1e-9)


def clip(rng: Rng, voices: list[Sound], noises: list[Sound]) -> tuple[Sound, NDArray[np.int8]]:
    """A clip and per frame 1 (speech), 0 (none) or -1 (nobody can tell)."""
    back = np.roll(noises[int(rng.integers(len(noises)))], int(rng.integers(CLIP)))
    if rng.random() < 0.4:
        other = np.roll(noises[int(rng.integers(len(noises)))], int(rng.integers(CLIP)))
        back = level(back, 0) + level(other, -rng.uniform(0, 15))
    back = level(back, -26)
    target = np.zeros(CLIP // FRAME_HOP, np.int8)
    if rng.random() < 0.3:
        return spoilt(rng, back), target
    voice, active = track(rng, voices)
    if not active.any():
        return spoilt(rng, back), target
    if rng.random() < 0.7:
        voice = fftconvolve(voice, room(rng))[:CLIP]
    on = np.repeat(active, FRAME_HOP)
    want_db = float(rng.choice([rng.uniform(-15, 0), rng.uniform(-8, 8), rng.uniform(0, 25)]))
    have = np.mean(np.square(voice[on])) / (np.mean(np.square(back[on])) + 1e-12)
    voice = voice * np.sqrt(10 ** (want_db / 10) / have)

    def frames(sound: Sound) -> Sound:
        return gaussian_filter1d(np.square(sound).reshape(-1, FRAME_HOP).mean(axis=1), 2)

    heard = frames(voice) / (frames(back) + 1e-12)
    near = maximum_filter1d(active, 25, origin=-6)  # reverberation rings on
    target[near & ~active] = -1
    target[active] = 1
    target[active & (heard < 10**-1.6)] = -1
    return spoilt(rng, voice + back), target


def coded(sound: Sound, how: list[str], folder: Path) -> Sound:
    """Through a codec and back, in step."""
    import imageio_ffmpeg

    def run(*arguments: str) -> None:
        program = imageio_ffmpeg.get_ffmpeg_exe()
        subprocess.run([program, "-v", "error", "-y", *arguments], check=True)

    soundfile.write(folder / "in.wav", sound, RATE_HZ, subtype="PCM_16")
    run("-i", f"{folder}/in.wav", *how, f"{folder}/coded.mka")
    run("-i", f"{folder}/coded.mka", "-ar", str(RATE_HZ), f"{folder}/back.wav")
    out = soundfile.read(folder / "back.wav", dtype="float64")[0]
    return np.pad(out, (0, max(0, sound.size - out.size)))[: sound.size]


CODECS = [
    ["-c:a", "aac", "-b:a", "24k"], ["-c:a", "aac", "-b:a", "48k"],
    ["-c:a", "libopus", "-b:a", "12k"], ["-c:a", "libopus", "-b:a", "24k"],
    ["-c:a", "libmp3lame", "-b:a", "32k"], ["-c:a", "pcm_mulaw"], ["-c:a", "adpcm_ima_wav"],
]  # fmt: skip


def shard(seed: int) -> tuple[NDArray[np.float16], NDArray[np.int8]]:
    rng = np.random.default_rng([77, seed])
    found = prompts("teach")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        voices = [read_prompt(found[k]) for k in rng.integers(len(found), size=50)]
        for _ in range(30):
            voices.append(spoken(rng, folder))
        voices = [v for v in voices if v.size > 3200 and np.abs(v).max() > 1e-3]
        noises = [procedure(rng, CLIP) for _ in range(CLIPS // 2)]
        clips = [clip(rng, voices, noises) for _ in range(CLIPS)]
        joined = np.concatenate([c[0] * 10 ** (-rng.uniform(0, 50) / 20) for c in clips])
        if rng.random() < 0.5:
            joined = coded(joined, CODECS[int(rng.integers(len(CODECS)))], folder)
        joined = np.round(joined * 32767) / 32767
    even = SpeechFold(1, RATE_HZ)._evened
    rows = [features(even(part.astype(np.float32))) for part in joined.reshape(CLIPS, CLIP)]
    return np.stack(rows).astype(np.float16), np.stack([c[1] for c in clips])


def shards(folder: Path, first: int, count: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for seed in range(first, first + count):
        begun = time.time()
        found, target = shard(seed)
        np.savez(folder / "part.npz", found=found, target=target)
        (folder / "part.npz").rename(folder / f"shard_{seed:04d}.npz")
        share = (target == 1).mean()
        print(f"{seed}: {time.time() - begun:.0f} s, speech {share:.2f}", flush=True)


def start(rng: Rng, mean: NDArray, spread: NDArray, width: int = 64, wide: int = 96) -> dict:
    def dense(a: int, b: int, gain: float = 2.0) -> NDArray:
        return rng.normal(0, np.sqrt(gain / a), (a, b)).astype(np.float32)

    out = {"mean": mean, "spread": spread, "in": dense(FEATURES, width, 1.0),
           "in_b": np.zeros(width, np.float32)}  # fmt: skip
    for k in range(len(DILATIONS)):
        out[f"taps{k}"] = rng.normal(0, TAPS**-0.5, (TAPS, width)).astype(np.float32)
        out[f"up{k}"], out[f"up{k}_b"] = dense(width, wide), np.zeros(wide, np.float32)
        out[f"down{k}"] = dense(wide, width, 0.1)
        out[f"down{k}_b"] = np.zeros(width, np.float32)
    out["top"], out["top_b"] = dense(width, 32), np.zeros(32, np.float32)
    out["out"], out["out_b"] = dense(32, 1, 1.0), np.zeros(1, np.float32)
    return out


def fit(folder: Path, out: Path, minutes: float, batch: int = 24, rate: float = 3e-3) -> None:
    import jax
    import jax.numpy as jnp

    def normal(x):  # type: ignore[no-untyped-def]
        x = x - x.mean(-1, keepdims=True)
        return x / jnp.sqrt(jnp.square(x).mean(-1, keepdims=True) + 1e-3)

    def spread(x, taps, step):  # type: ignore[no-untyped-def]
        half = TAPS // 2 * step
        padded = jnp.pad(x, ((0, 0), (half, half), (0, 0)))
        return sum(padded[:, k * step : k * step + x.shape[1]] * taps[k] for k in range(TAPS))

    def logits(w, x):  # type: ignore[no-untyped-def]
        x = (x - w["mean"]) / w["spread"]
        x = x @ w["in"] + w["in_b"]
        for k, step in enumerate(DILATIONS):
            y = spread(normal(x), w[f"taps{k}"], step)
            y = jnp.maximum(y @ w[f"up{k}"] + w[f"up{k}_b"], 0)
            x = x + y @ w[f"down{k}"] + w[f"down{k}_b"]
        y = jnp.maximum(normal(x) @ w["top"] + w["top_b"], 0)
        return (y @ w["out"] + w["out_b"])[..., 0]

    def loss(w, x, t):  # type: ignore[no-untyped-def]
        z = logits(w, x)
        known = t >= 0
        cost = jnp.logaddexp(0, z) - z * (t == 1)
        return jnp.sum(cost * known) / jnp.sum(known)

    @jax.jit
    def step(w, m, v, x, t, n, lr):  # type: ignore[no-untyped-def]
        cost, g = jax.value_and_grad(loss)(w, x, t)
        m = jax.tree.map(lambda a, b: 0.9 * a + 0.1 * b, m, g)
        v = jax.tree.map(lambda a, b: 0.98 * a + 0.02 * b * b, v, g)

        def moved(p, a, b):  # type: ignore[no-untyped-def]
            a, b = a / (1 - 0.9**n), b / (1 - 0.98**n)
            return p - lr * (a / (jnp.sqrt(b) + 1e-8) + 3e-3 * p)

        new = jax.tree.map(moved, w, m, v)
        return new | {"mean": w["mean"], "spread": w["spread"]}, m, v, cost

    rng = np.random.default_rng(5)
    held: dict[Path, tuple[NDArray, NDArray]] = {}

    def load() -> None:
        for path in sorted(folder.glob("shard_*.npz")):
            if path not in held:
                data = np.load(path)
                held[path] = data["found"], data["target"]

    load()
    rows = np.concatenate([f.reshape(-1, FEATURES) for f, _ in held.values()])[::7]
    rows = rows.astype(np.float32)
    w = start(rng, rows.mean(axis=0), rows.std(axis=0) + 0.02)
    m = jax.tree.map(np.zeros_like, w)
    v = jax.tree.map(np.zeros_like, w)
    mean_w = w
    begun, n, costs = time.time(), 0, []
    while (done := (time.time() - begun) / 60 / minutes) < 1:
        if n % 100 == 0:
            load()
        keys = list(held)
        x = np.zeros((batch, CLIP // FRAME_HOP, FEATURES), np.float32)
        t = np.zeros((batch, CLIP // FRAME_HOP), np.int8)
        for k in range(batch):
            found, target = held[keys[int(rng.integers(len(keys)))]]
            row = int(rng.integers(CLIPS))
            x[k], t[k] = found[row], target[row]
            for _ in range(2):  # a few bands and lags are not heard
                band = int(rng.integers(FEATURES))
                x[k, :, band : band + int(rng.integers(1, 5))] = w["mean"][band]
        n += 1
        lr = rate * min(1, n / 100) * (0.5 + 0.5 * np.cos(np.pi * done)) + 1e-5
        w, m, v, cost = step(w, m, v, x, t, n, lr)
        keep = min(0.995, n / (n + 20))
        mean_w = jax.tree.map(lambda a, b, k=keep: k * a + (1 - k) * b, mean_w, w)
        costs.append(float(cost))
        if n % 100 == 0:
            print(f"{n} {done:.2f} {len(held)} {np.mean(costs[-100:]):.4f}", flush=True)
            save(out, mean_w)
    save(out, mean_w)


def save(out: Path, weights: dict) -> None:
    np.savez_compressed(out, **{k: np.asarray(a, np.float16) for k, a in weights.items()})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("verb", choices=["shards", "fit"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--out", type=Path, default=Path("speech_net.npz"))
    parser.add_argument("--minutes", type=float, default=20)
    options = parser.parse_args()
    if options.verb == "shards":
        shards(options.folder, options.first, options.count)
    else:
        fit(options.folder, options.out, options.minutes)


if __name__ == "__main__":
    main()
