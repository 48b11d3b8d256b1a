"""Benchmark of the sound: ducking, loudness, redaction, speed; beside it one-pass filters.

    python tests/benchmarks/sound.py [--quick] [--seed N]

Voices: Debian's asterisk-core-sounds-*-g722 (recorded speech) if installed, else the two
spoken sentences in tests/data. Room sounds are generated (tests/analysis/sound_makers.py).
Beside: ffmpeg sidechaincompress + loudnorm on the same clips.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
import soxr

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "analysis")]

from sound_makers import (  # noqa: E402
    RATE_HZ,
    alarm,
    at_level,
    coloured,
    ducking_depth,
    procedure_noise,
    suction,
    thumps,
    whistles,
)

from pipeline.analysis.sound.limiter import AAC_MARGIN_DB, fit_gain, limit  # noqa: E402
from pipeline.analysis.sound.loudness import LoudnessFold, measure  # noqa: E402
from pipeline.analysis.sound.mix import plan_mix  # noqa: E402
from pipeline.analysis.sound.redact import replace_speech  # noqa: E402
from pipeline.analysis.sound.speech import HOP_S, SpeechFold  # noqa: E402
from pipeline.analysis.sound.speech_spans import narration_spans, room_speech_spans  # noqa: E402
from pipeline.analysis.sound.track_levels import TrackLevels  # noqa: E402
from pipeline.analysis.sound.tracks import render_tracks  # noqa: E402
from pipeline.analysis.sound.voice_activity import room_detectors  # noqa: E402
from pipeline.model.options import SoundOptions  # noqa: E402

PROMPTS = Path("/usr/share/asterisk/sounds")
NOT_SPEECH = ("beep", "tone", "silence", "confbridge-join", "confbridge-leave", "monkeys", "music")
TARGET_LUFS = -14.0


def voices(rng: np.random.Generator) -> list[Path]:
    found = [
        p for p in sorted(PROMPTS.rglob("*.g722"))
        if not any(word in str(p.relative_to(PROMPTS)) for word in NOT_SPEECH)
    ]
    found = found or sorted((HERE.parent / "data").glob("sentence_*.flac"))
    return [found[k] for k in rng.permutation(len(found))]


def read_voice(path: Path) -> np.ndarray:
    """(sample,) at 48 kHz, -26 dB RMS."""
    if path.suffix == ".flac":
        samples, rate = soundfile.read(path, dtype="float32")
    else:
        import av

        with av.open(str(path), format="g722") as container:
            parts = [f.to_ndarray() for f in container.decode(audio=0)]
        samples, rate = np.concatenate(parts, axis=1)[0].astype(np.float32) / 32768, 16000
    return at_level(soxr.resample(samples, rate, RATE_HZ), -26.0)


def speech_track(
    rng: np.random.Generator, files: list[Path], seconds: float
) -> tuple[np.ndarray, list[tuple[float, float]], np.ndarray]:
    """Voice (sample,), sentences, and per 32 ms hop whether it sounds (25 dB under its peak)."""
    count = round(seconds * RATE_HZ)
    hop = round(HOP_S * RATE_HZ)
    out, sentences = np.zeros(count, np.float32), []
    active = np.zeros(count // hop, bool)
    at, k = round(rng.uniform(1.0, 3.0) * RATE_HZ) // hop * hop, int(rng.integers(len(files)))
    while True:
        piece = read_voice(files[k % len(files)])
        piece = piece[: piece.size // hop * hop]
        k += 1
        if piece.size > 0.3 * count:
            continue
        if at + piece.size > count - RATE_HZ // 2:
            return out, sentences, active
        out[at : at + piece.size] = piece * 10 ** (rng.uniform(-3, 3) / 20)
        power = np.square(piece.reshape(-1, hop)).mean(axis=1)
        on = np.flatnonzero(power > np.percentile(power, 95) * 10**-2.5)
        active[at // hop : at // hop + power.size] = power > np.percentile(power, 95) * 10**-2.5
        sentences.append(((at + on[0] * hop) / RATE_HZ, (at + (on[-1] + 1) * hop) / RATE_HZ))
        pause = rng.uniform(0.2, 0.7) if rng.random() < 0.4 else rng.uniform(1.0, 6.0)
        at += piece.size + round(pause * RATE_HZ) // hop * hop


def scenes(rng: np.random.Generator, count: int) -> dict[str, np.ndarray]:
    room = at_level(coloured(rng, count, -4), -55.0)
    return {
        "suction on/off": room + suction(rng, count) * 0.3,
        "suction steady": room + suction(rng, count, always=True) * 0.3,
        "thumps": room + thumps(rng, count, 1.0) * 0.2,
        "whistles": room + whistles(rng, count, 0.5) * 0.2,
        "alarm": room + alarm(rng, count) * 0.2,
        "mixture": procedure_noise(rng, count),
    }


def blocks(sound: np.ndarray, size: int = RATE_HZ) -> list[np.ndarray]:
    sound = np.atleast_2d(sound)
    return [sound[:, at : at + size] for at in range(0, sound.shape[1], size)]


def ffmpeg(*arguments: str) -> None:
    import imageio_ffmpeg

    subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *arguments], check=True
    )


def through_aac(samples: np.ndarray, folder: Path) -> np.ndarray:
    soundfile.write(folder / "mix.wav", samples.T, RATE_HZ, subtype="FLOAT")
    ffmpeg("-i", f"{folder}/mix.wav", "-c:a", "aac", "-b:a", "192k", f"{folder}/mix.m4a")
    ffmpeg("-i", f"{folder}/mix.m4a", "-c:a", "pcm_f32le", f"{folder}/back.wav")
    return soundfile.read(folder / "back.wav", dtype="float32")[0].T


def one_pass(voice: np.ndarray, room: np.ndarray, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """(ducked background, finished mix) by sidechaincompress and one-pass loudnorm."""
    soundfile.write(folder / "voice.wav", np.stack([voice, voice]).T, RATE_HZ, subtype="FLOAT")
    soundfile.write(folder / "room.wav", np.stack([room, room]).T, RATE_HZ, subtype="FLOAT")
    duck = "sidechaincompress=threshold=0.02:ratio=8:attack=20:release=600"
    inputs = ["-i", f"{folder}/room.wav", "-i", f"{folder}/voice.wav"]
    ffmpeg(*inputs, "-filter_complex", f"[0:a][1:a]{duck}[o]", "-map", "[o]",
           "-c:a", "pcm_f32le", f"{folder}/ducked.wav")
    ffmpeg(*inputs, "-filter_complex",
           f"[1:a]asplit[v][k];[0:a][k]{duck}[d];[d][v]amix=normalize=0,"
           f"loudnorm=I={TARGET_LUFS}:TP=-1:LRA=11,aresample={RATE_HZ}[o]",
           "-map", "[o]", "-c:a", "pcm_f32le", f"{folder}/normal.wav")
    ducked = soundfile.read(folder / "ducked.wav", dtype="float32")[0].T
    return ducked, soundfile.read(folder / "normal.wav", dtype="float32")[0].T


def number(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def duck_table(seed: int, seconds: float, kinds: int, snrs: list[float], folder: Path) -> None:
    print("\nDucking, depth 15 LU, target -14 LUFS (SNR: narration over background, as given)")
    print(f"{'scene':16s}{'SNR':>5s} | {'share':>6s}{'p5':>6s}{'min':>6s}{'lead p5':>8s}{'min':>6s}"
          f"{'release':>8s}{'gap':>6s}{'I err':>7s}{'peak':>7s}{'limited':>8s} | one-pass:"
          f"{'share':>6s}{'p5':>6s}{'lead':>6s}{'I err':>7s}{'peak':>7s}")
    rng = np.random.default_rng([seed, 1])
    files = voices(rng)
    totals: list[tuple[float, float]] = []
    for kind in range(kinds):
        for snr in snrs:
            voice, _, _ = speech_track(rng, files, seconds)
            name, room = list(scenes(rng, voice.size).items())[kind]
            mono = measure(blocks(voice), 1)
            assert mono.integrated_lufs is not None
            have = measure(blocks(room), 1).integrated_lufs or -60.0
            room = (room * 10 ** ((mono.integrated_lufs - snr - have) / 20)).astype(np.float32)
            fold = SpeechFold(1)
            for block in blocks(voice):
                fold.step(block)
            spans = narration_spans(fold.finish())
            plan = plan_mix(
                TrackLevels.of(mono, seconds, twice=True),
                TrackLevels.of(measure(blocks(room), 1), seconds, twice=True),
                spans, seconds, SoundOptions(), TARGET_LUFS, -1.0,
            )
            pairs = list(render_tracks(blocks(room), blocks(voice), plan))
            both = np.stack([room, room])
            report = ducking_depth([b for _, b in pairs], [a for a, _ in pairs], source=[both])
            mix = [a + b for a, b in pairs]
            fit = fit_gain(lambda m=mix: m, 2, TARGET_LUFS, -1.0)
            done = np.concatenate(list(limit(mix, fit.gain_db, -1.0 - AAC_MARGIN_DB)), axis=1)
            final = measure([through_aac(done, folder)], 2)
            ducked, normal = one_pass(voice, room, folder)
            other = ducking_depth([np.stack([voice, voice])], [ducked], source=[both])
            other_final = measure([normal], 2)
            gap = None
            if report.background_gap_lufs is not None and plan.expected.narration_lufs is not None:
                gap = plan.expected.narration_lufs - report.background_gap_lufs
            leads = report.onset_lead_s
            totals.append((report.share or 0.0, other.share or 0.0))
            print(
                f"{name:16s}{snr:5.0f} | {number(report.share, 3):>6s}{number(report.p5_lu, 1):>6s}"
                f"{number(report.least_lu, 1):>6s}"
                f"{number(float(np.percentile(leads, 5)) if leads else None):>8s}"
                f"{number(min(leads) if leads else None):>6s}"
                f"{number(float(np.median(report.release_s)) if report.release_s else None):>8s}"
                f"{number(gap, 1):>6s}"
                f"{number((final.integrated_lufs or 0) - TARGET_LUFS):>7s}"
                f"{number(final.true_peak_dbtp):>7s}{number(fit.limiter.max_reduction_db, 1):>8s}"
                f" |          {number(other.share, 3):>6s}{number(other.p5_lu, 1):>6s}"
                f"{number(min(other.onset_lead_s) if other.onset_lead_s else None):>6s}"
                f"{number((other_final.integrated_lufs or 0) - TARGET_LUFS):>7s}"
                f"{number(other_final.true_peak_dbtp):>7s}",
                flush=True,
            )
    share = np.asarray(totals)
    print(f"clips with >= 95 % of windows at depth: {np.mean(share[:, 0] >= 0.95):.2f}"
          f" (one-pass {np.mean(share[:, 1] >= 0.95):.2f});"
          f" worst share {share[:, 0].min():.3f} ({share[:, 1].min():.3f})")


def redact_table(seed: int, seconds: float, repeats: int, snrs: list[float]) -> None:
    from pystoi import stoi

    print("\nRedaction (SNR: speech over room sound)")
    print(f"{'SNR':>5s}{'recall':>9s}{'leaked s':>10s}{'of s':>7s}{'ESTOI before':>14s}"
          f"{'after':>7s}{'found after s':>15s}{'replaced without speech':>25s}")
    rng = np.random.default_rng([seed, 2])
    files = voices(rng)
    for snr in snrs:
        leaked = spoken = wrong = quiet = again = 0.0
        before, after = [], []
        for _ in range(repeats):
            voice, sentences, active = speech_track(rng, files, seconds)
            room = list(scenes(rng, voice.size).values())[int(rng.integers(6))]
            mixed = (voice + at_level(room, -26.0 - snr)).astype(np.float32)[None]

            def series(sound: np.ndarray) -> tuple[list, list]:
                fold = SpeechFold(1, RATE_HZ, room_detectors())
                for block in blocks(sound):
                    fold.step(block)
                return room_speech_spans(fold.finish())

            speech, undecided = series(mixed)
            spans = speech + undecided
            stream = replace_speech(lambda a, b, m=mixed: m[:, a:b], mixed.shape[1], spans, 1)
            out = np.concatenate(list(stream), axis=1)
            centre = (np.arange(active.size) + 0.5) * HOP_S
            hit = np.zeros(active.size, bool)
            for start, stop in spans:
                hit |= (centre >= start) & (centre < stop)
            away = np.ones(active.size, bool)
            for start, stop in sentences:
                away &= (centre < start - 0.3) | (centre > stop + 0.3)
            leaked += float((active & ~hit).sum()) * HOP_S
            spoken += float(active.sum()) * HOP_S
            wrong += float((away & hit).sum()) * HOP_S
            quiet += float(away.sum()) * HOP_S
            again += sum(b - a for a, b in series(out)[0])
            hop = round(HOP_S * RATE_HZ)
            where = np.repeat(active, hop)
            pick = [x[: where.size][where] for x in (voice, mixed[0], out[0])]
            before.append(stoi(pick[0], pick[1], RATE_HZ, extended=True))
            after.append(stoi(pick[0], pick[2], RATE_HZ, extended=True))
        print(f"{snr:5.0f}{1 - leaked / spoken:9.5f}{leaked:10.2f}{spoken:7.0f}"
              f"{np.mean(before):14.2f}{np.mean(after):7.2f}{again:15.2f}{wrong / quiet:25.3f}",
              flush=True)


def speed_table(seed: int) -> None:
    rng = np.random.default_rng([seed, 3])
    seconds = 60
    sound = np.stack([procedure_noise(rng, seconds * RATE_HZ) for _ in range(2)])
    mono = sound[:1]

    def timed(name: str, run) -> None:
        run()
        start = time.process_time()
        run()
        print(f"  {name:42s}{seconds / (time.process_time() - start):8.0f} x real time")

    def fold(make, samples: np.ndarray) -> None:
        measure_of = make()
        for block in blocks(samples, 24000):
            measure_of.step(block)
        measure_of.finish()

    print("\nSpeed (one CPU)")
    timed("loudness and true peak, stereo", lambda: fold(lambda: LoudnessFold(2), sound))
    timed("voice activity of narration, mono", lambda: fold(lambda: SpeechFold(1), mono))
    timed(
        "speech in the room, all detectors, mono",
        lambda: fold(lambda: SpeechFold(1, RATE_HZ, room_detectors()), mono),
    )
    timed("limiter, stereo, at work", lambda: list(limit(blocks(sound), 20.0, -1.6)))
    timed(
        "replacing half of it, stereo",
        lambda: list(replace_speech(
            lambda a, b: sound[:, a:b], sound.shape[1], [(k, k + 2.0) for k in range(2, 58, 4)], 1
        )),
    )
    levels = TrackLevels.of(measure(blocks(sound), 2), seconds)
    voice = TrackLevels.of(measure(blocks(mono), 1), seconds, twice=True)
    plan = plan_mix(voice, levels, [(5.0, 20.0), (30.0, 50.0)], seconds, SoundOptions(), -14, -1)
    timed("render of both tracks, stereo",
          lambda: list(render_tracks(blocks(sound), blocks(mono), plan)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer and shorter clips")
    parser.add_argument("--seed", type=int, default=7)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.quick:
            duck_table(options.seed, 20.0, 2, [10.0, -5.0], Path(folder))
            redact_table(options.seed, 20.0, 2, [10.0, -5.0])
        else:
            duck_table(options.seed, 30.0, 6, [20.0, 10.0, 0.0, -5.0], Path(folder))
            redact_table(options.seed, 30.0, 6, [20.0, 10.0, 0.0, -5.0])
    speed_table(options.seed)


if __name__ == "__main__":
    main()
