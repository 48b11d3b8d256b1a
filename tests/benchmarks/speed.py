"""Cost of `make` beside a bare transcode of the same file, in the same run.

    python tests/benchmarks/speed.py [--quick] [--minutes 1 10] [--batch]

A 1080p30 recording with a moving scope field is made, and run through
`fieldstop make` (without the detectors of lettering and faces unless
--detectors) and through a plain ffmpeg transcode at the same encoder settings.
CPU seconds are of all processes; memory is the peak of the summed resident
sizes of all processes, read five times a second.

--batch instead runs `fieldstop batch` over 8 short cases (20 s; with --quick 4 of 8 s) on the
cores there are, beside as many bare transcodes run the same way: as many at once, each with
the threads that a worker of the batch gets. Two ratios: of throughput (cases an hour), and of
how busy both kept the cores, which is what the batch itself adds to the cost of `make`.

--beside TREE ... runs `make` by this tree and by others (an older commit from `git archive`)
in turn, and tells the processor seconds of all of it, and of its last step, `verify`, alone:

    git archive OLD | tar x -C /tmp/old && python tests/benchmarks/speed.py --beside /tmp/old
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import av
import cv2
import imageio_ffmpeg
import numpy as np

FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
WIDTH, HEIGHT, RATE = 1920, 1080, 30


@dataclass
class Cost:
    cpu_s: float
    wall_s: float
    peak_mb: float
    code: int
    out: str


def texture(seed: int, rows: int, cols: int) -> np.ndarray:
    """Reddish texture of several scales, uint8 (row, col, 3) RGB."""
    random = np.random.default_rng(seed)
    total = np.zeros((rows, cols), np.float32)
    for scale, weight in ((4, 0.25), (16, 0.5), (64, 1.0), (200, 1.6)):
        small = random.standard_normal((rows // scale + 2, cols // scale + 2)).astype(np.float32)
        total += weight * cv2.resize(small, (cols, rows), interpolation=cv2.INTER_CUBIC)
    total = (total - total.min()) / np.ptp(total)
    return np.stack([90 + 150 * total, 40 + 90 * total, 35 + 75 * total], axis=2).astype(np.uint8)


def write_unit(path: Path, seconds: float, seed: int = 1) -> None:
    """A moving, noisy scope recording with suction-like sound, H.264 and AAC."""
    random = np.random.default_rng(seed)
    big = texture(seed, HEIGHT + 400, WIDTH + 600)
    yy, xx = np.mgrid[:HEIGHT, :WIDTH]
    disc = ((xx - 960) ** 2 + (yy - 540) ** 2 < 560**2)[..., None]
    noise = [random.integers(-5, 6, (HEIGHT, WIDTH, 1)).astype(np.int16) for _ in range(8)]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "20", "preset": "veryfast"}
        sound = container.add_stream("aac", rate=48_000, layout="stereo")
        for number in range(int(seconds * RATE)):
            x = int(300 + 250 * np.sin(number / 70))
            y = int(200 + 150 * np.cos(number / 47))
            picture = big[y : y + HEIGHT, x : x + WIDTH].astype(np.int16) + noise[number % 8]
            rgb = np.where(disc, picture, 5 + noise[number % 8] // 3).clip(0, 255).astype(np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(rgb, "rgb24")):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
        samples = random.standard_normal((2, int(seconds * 48_000))).astype(np.float32) * 0.03
        for at in range(0, samples.shape[1], 1024):
            frame = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(samples[:, at : at + 1024]), "fltp", "stereo"
            )
            frame.sample_rate, frame.pts = 48_000, at
            for packet in sound.encode(frame):
                container.mux(packet)
        for packet in sound.encode(None):
            container.mux(packet)


def write_long(unit: Path, path: Path, minutes: float) -> None:
    subprocess.run(
        [FFMPEG, "-v", "error", "-y", "-stream_loop", "-1", "-i", str(unit), "-t",
         str(minutes * 60), "-c", "copy", str(path)],
        check=True,
    )  # fmt: skip


def write_narration(path: Path, minutes: float) -> None:
    """The demo's narration, repeated with pauses."""
    sample = Path(__file__).resolve().parents[2] / "sample_media"
    voice = next(iter(sorted(sample.glob("voice.*"))), None)
    if voice is None:
        raise SystemExit("sample_media holds no narration")
    subprocess.run(
        [FFMPEG, "-v", "error", "-y", "-stream_loop", "-1", "-i", str(voice), "-t",
         str(minutes * 60), "-ac", "1", "-ar", "48000", str(path)],
        check=True,
    )  # fmt: skip


def tree(root: int) -> list[int]:
    found, stack = [], [root]
    while stack:
        pid = stack.pop()
        found.append(pid)
        try:
            for task in Path(f"/proc/{pid}/task").iterdir():
                stack += [int(c) for c in (task / "children").read_text().split()]
        except OSError:
            continue
    return found


def resident_mb(pids: list[int]) -> float:
    total = 0.0
    for pid in pids:
        try:
            pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        except (OSError, IndexError):
            continue
        total += pages * resource.getpagesize() / 1e6
    return total


def run(command: list[str]) -> Cost:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.monotonic()
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    peak = 0.0
    stop = threading.Event()

    def watch() -> None:
        nonlocal peak
        while not stop.wait(0.2):
            peak = max(peak, resident_mb(tree(process.pid)))

    thread = threading.Thread(target=watch)
    thread.start()
    out, _ = process.communicate()
    stop.set()
    thread.join()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(cpu_s, time.monotonic() - begun, peak, process.returncode, out or "")


def write_config(work: Path, detectors: bool) -> Path:
    config = work / "config.toml"
    on = "true" if detectors else "false"
    config.write_text(f"[anonymity]\nlettering = {on}\nfaces = {on}\n")
    return config


def transcode(clip: Path, to: Path, threads: int) -> list[str]:
    return [FFMPEG, "-v", "error", "-y", "-i", str(clip), "-c:v", "libx264", "-preset", "veryfast",
            "-crf", "20", "-pix_fmt", "yuv420p", "-threads", str(threads), "-c:a", "aac", "-b:a",
            "192k", str(to)]  # fmt: skip


SOME_AT_ONCE = """
import json, subprocess, sys
commands, jobs, running = json.loads(sys.argv[1]), int(sys.argv[2]), []
while commands or running:
    while commands and len(running) < jobs:
        running.append(subprocess.Popen(commands.pop(0)))
    running[0].wait()
    running = [p for p in running if p.poll() is None]
"""


def run_batch(work: Path, config: Path, cases: int, seconds: float) -> float:
    """Rows for a batch beside as many bare transcodes; the ratio of throughput."""
    cores = len(os.sched_getaffinity(0))
    unit = work / "unit.mp4"
    write_unit(unit, seconds)
    write_narration(work / "voice.wav", seconds / 60)
    day = work / "day"
    for number in range(cases):
        folder = day / f"QM-{number:04d}"
        folder.mkdir(parents=True)
        # The same pictures in a file of another hash: nothing is found in the cache.
        (folder / "x.mp4").write_bytes(
            unit.read_bytes() + (12).to_bytes(4) + b"free" + number.to_bytes(4)
        )
        shutil.copy(work / "voice.wav", folder / "voice.wav")
        (folder / "case.toml").write_text(
            f'case = "QM-{number:04d}"\n[[recording]]\nfiles = ["x.mp4"]\n'
            '[narration]\nfile = "voice.wav"\n[consent]\nscope = "public"\n'
        )
    commands = [transcode(p, p.with_name("plain.mkv"), 1) for p in sorted(day.rglob("x.mp4"))]
    plain = run([sys.executable, "-c", SOME_AT_ONCE, json.dumps(commands), str(cores)])
    for path in day.rglob("plain.mkv"):
        path.unlink()
    made = run(
        [sys.executable, "-m", "pipeline.cli", "--json", "--quiet", "--config", str(config),
         "--catalogue", str(work / "c.sqlite3"), "batch", str(day), "--out", str(work / "out"),
         "--jobs", str(cores)]
    )  # fmt: skip
    counts = json.loads(made.out)["counts"] if made.out.strip() else {}
    minutes = cases * seconds / 60
    print("| what | CPU s | wall s | peak MB | CPU s a minute | cores busy | cases an hour |")
    print("|---|---|---|---|---|---|---|")
    for name, cost in ((f"{cases} bare transcodes", plain), (f"batch of {cases}", made)):
        print(
            f"| {name} | {cost.cpu_s:.1f} | {cost.wall_s:.1f} | {cost.peak_mb:.0f} |"
            f" {cost.cpu_s / minutes:.1f} | {cost.cpu_s / cost.wall_s / cores:.2f} |"
            f" {3600 * cases / cost.wall_s:.0f} |"
        )
    throughput = plain.wall_s / made.wall_s
    busy = (made.cpu_s / made.wall_s) / (plain.cpu_s / plain.wall_s)
    print(
        f"throughput {throughput:.2f} of the bare transcodes at {made.cpu_s / plain.cpu_s:.2f}"
        f" times their processor time; cores kept busy {busy:.2f} as well; {counts}"
    )
    return throughput


# The least of three, since the machine is shared: what others do can only make it more.
TIMED = """
import importlib, json, resource, sys
def spent():
    used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)
for name in ("pipeline.stages.verifying.verify", "pipeline.stages.verify"):
    try:
        module = importlib.import_module(name)
        break
    except ModuleNotFoundError:
        pass
plain, verify = module.verify_release, []
def timed(*given, **named):
    for _ in range(3):
        begun = spent()
        answer = plain(*given, **named)
        verify.append(spent() - begun)
    return answer
module.verify_release = timed
from pipeline.cli import main
code = 0
try:
    code = main(sys.argv[2:])
except SystemExit as ended:
    code = ended.code
all_s = spent() - sum(verify) + min(verify, default=0.0)
with open(sys.argv[1], "w") as out:
    json.dump({"make": all_s, "verify": min(verify, default=None), "code": code or 0,
               "tree": module.__file__}, out)
"""


def run_beside(work: Path, config: Path, trees: list[Path], minutes: float, rounds: int) -> None:
    """Rows for `make` and `verify` of each tree, in turn."""
    write_unit(work / "unit.mp4", 20)
    clip, voice, told = work / "clip.mp4", work / "voice.wav", work / "told.json"
    write_long(work / "unit.mp4", clip, minutes)
    write_narration(voice, minutes)
    print("| tree | minutes | make CPU s | verify CPU s |\n|---|---|---|---|")
    for number in range(rounds):
        for tree in trees:
            out = work / f"out-{number}-{tree.name}"
            shutil.rmtree(work / "CACHE", ignore_errors=True)
            subprocess.run(
                [sys.executable, "-P", "-c", TIMED, str(told), "--quiet", "--config", str(config),
                 "--catalogue", str(out) + ".sqlite3", "make", str(clip), "--narration", str(voice),
                 "--consent", "public", "--out", str(out)],
                env=os.environ | {"PYTHONPATH": str(tree)}, stdout=subprocess.DEVNULL,
            )  # fmt: skip
            said = json.loads(told.read_text())
            assert said["tree"].startswith(str(tree)), said["tree"]
            ended = f" (ended with {said['code']})" if said["code"] else ""
            print(f"| {tree.name} | {minutes:.3g} | {said['make']:.1f} |"
                  f" {said['verify']:.1f}{ended} |", flush=True)  # fmt: skip
            shutil.rmtree(out, ignore_errors=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, nargs="+", default=[1, 10])
    parser.add_argument("--quick", action="store_true", help="20 seconds only")
    parser.add_argument("--detectors", action="store_true", help="lettering and faces too")
    parser.add_argument("--batch", action="store_true", help="a batch of 8 instead")
    parser.add_argument("--beside", type=Path, nargs="+", help="other trees, in turn with this")
    parser.add_argument("--rounds", type=int, default=2, help="of --beside")
    parser.add_argument("--limit", type=float, help="exit 1 above this CPU ratio")
    arguments = parser.parse_args()
    minutes = [1 / 3] if arguments.quick else arguments.minutes
    work = Path(tempfile.mkdtemp(prefix="speed-"))
    os.environ |= {f"XDG_{k}_HOME": str(work / k) for k in ("CACHE", "DATA", "CONFIG")}
    worst = 0.0
    if arguments.batch:
        try:
            config = write_config(work, arguments.detectors)
            run_batch(work, config, *((4, 8.0) if arguments.quick else (8, 20.0)))
        finally:
            shutil.rmtree(work, ignore_errors=True)
        return 0
    if arguments.beside:
        trees = [*(t.resolve() for t in arguments.beside), Path(__file__).resolve().parents[2]]
        try:
            for length in minutes:
                config = write_config(work, arguments.detectors)
                run_beside(work, config, trees, length, arguments.rounds)
        finally:
            shutil.rmtree(work, ignore_errors=True)
        return 0
    print("| minutes | what | CPU s | wall s | peak MB | CPU ratio | wall ratio |")
    print("|---|---|---|---|---|---|---|")
    try:
        unit = work / "unit.mp4"
        write_unit(unit, 20)
        config = write_config(work, arguments.detectors)
        for length in minutes:
            clip, voice = work / "clip.mp4", work / "voice.wav"
            write_long(unit, clip, length)
            write_narration(voice, length)
            plain = run(
                [FFMPEG, "-v", "error", "-y", "-i", str(clip), "-c:v", "libx264", "-preset",
                 "veryfast", "-crf", "20", "-pix_fmt", "yuv420p", "-c:a", "aac", "-b:a", "192k",
                 str(work / "plain.mp4")]
            )  # fmt: skip
            decode = run([FFMPEG, "-v", "error", "-i", str(clip), "-map", "0:v", "-f", "null", "-"])
            survey = run(
                [sys.executable, "-m", "pipeline.cli", "--quiet", "--config", str(config),
                 "survey", str(clip), "--out", str(work / "survey")]
            )  # fmt: skip
            # the same pictures without sound: what field, lens and mark measures cost
            silent = work / "silent.mp4"
            subprocess.run(
                [FFMPEG, "-v", "error", "-y", "-i", str(clip), "-an", "-c", "copy", str(silent)],
                check=True,
            )
            pictures = run(
                [sys.executable, "-m", "pipeline.cli", "--quiet", "--config", str(config),
                 "survey", str(silent), "--out", str(work / "silent")]
            )  # fmt: skip
            silent.unlink()
            shutil.rmtree(work / "CACHE", ignore_errors=True)
            made = run(
                [sys.executable, "-m", "pipeline.cli", "--json", "--quiet", "--config", str(config),
                 "--catalogue", str(work / f"c{length}.sqlite3"), "make", str(clip), "--narration",
                 str(voice), "--consent", "public", "--out", str(work / f"out{length}")]
            )  # fmt: skip
            for name, cost, base in (
                ("bare transcode", plain, plain),
                ("bare decode", decode, decode),
                ("survey of the pictures alone / decode", pictures, decode),
                ("survey / decode", survey, decode),
                ("make / transcode", made, plain),
            ):
                print(
                    f"| {length:.3g} | {name} | {cost.cpu_s:.1f} | {cost.wall_s:.1f} |"
                    f" {cost.peak_mb:.0f} | {cost.cpu_s / base.cpu_s:.2f} |"
                    f" {cost.wall_s / base.wall_s:.2f} |",
                    flush=True,
                )
            worst = max(worst, made.cpu_s / plain.cpu_s)
            if made.code:
                said = json.loads(made.out) if made.out.strip() else {}
                print(f"make ended with {made.code}: {said.get('withheld')} {said.get('error')}")
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return 1 if arguments.limit and worst > arguments.limit else 0


if __name__ == "__main__":
    sys.exit(main())
