"""A stretch is judged as a whole: machines are left, one short call is not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from sound_makers import RATE_HZ, at_level, procedure_noise, suction
from test_speech import ALL, covered, scores, sentence

from pipeline.analysis.sound import speech_stretch
from pipeline.analysis.sound.speech import HOP_S
from pipeline.analysis.sound.speech_spans import found_hops, room_spans, room_speech_spans
from pipeline.model.time import Span, total_s


def told(seconds: float, **of: np.ndarray) -> dict[str, np.ndarray]:
    quiet = np.full(round(seconds / HOP_S), 0.002, np.float16)
    return {name: of.get(name, quiet) for name in ("silero", "omni", "net", "verdict")}


def test_what_goes_on_all_along_is_a_machine_and_what_stands_out_is_speech() -> None:
    rng = np.random.default_rng(3)
    count = round(30 / HOP_S)
    hovering = gaussian_filter1d(rng.standard_normal(count), 6)
    verdict = (0.03 * np.exp(0.7 * hovering / hovering.std())).astype(np.float16)
    machine = told(30, verdict=verdict)
    found = verdict > 0.03
    assert found.sum() > 200
    assert speech_stretch.spoken(machine, found).sum() < 0.5 * found.sum()
    call = np.full(count, 0.002, np.float16)
    call[400:412] = 0.4
    said = speech_stretch.spoken(told(30, verdict=call, silero=call, net=call), call > 0.03)
    assert said[400:412].all() and said.sum() == 12


def test_what_the_detectors_are_sure_of_is_speech_whatever_is_around_it() -> None:
    count = round(30 / HOP_S)
    verdict = np.full(count, 0.05, np.float16)
    sure = np.full(count, 0.002, np.float16)
    machine = told(30, verdict=verdict)
    assert not speech_stretch.spoken(machine, verdict > 0.03).any()
    sure[500:509] = 0.9
    both = told(30, verdict=verdict, silero=sure, omni=sure)
    assert speech_stretch.spoken(both, verdict > 0.03).all()
    sure[504] = 0.1
    assert not speech_stretch.spoken(told(30, verdict=verdict, silero=sure), verdict > 0.03).all()


def test_nothing_is_left_in_a_sound_too_short_to_tell() -> None:
    verdict = np.full(round(4 / HOP_S), 0.05, np.float16)
    assert speech_stretch.spoken(told(4, verdict=verdict), verdict > 0.03).all()


def test_stretches_are_joined_over_short_gaps() -> None:
    found = np.zeros(100, bool)
    found[[3, 4, 14, 30]] = True
    assert speech_stretch.stretches(found) == [(3, 15), (30, 31)]
    assert speech_stretch.stretches(np.zeros(9, bool)) == []


@pytest.mark.parametrize("number", [1, 2])
def test_a_call_of_a_third_of_a_second_in_a_quarter_minute_of_suction_is_found(number: int) -> None:
    """Recorded speech (tests/data/README.md), as loud as the suction around it."""
    voice = sentence(number)
    power = np.convolve(np.square(voice), np.ones(round(0.3 * RATE_HZ)), "valid")
    at = int(power.argmax())
    call = voice[at : at + round(0.3 * RATE_HZ)]
    sound = at_level(suction(np.random.default_rng(number), 15 * RATE_HZ, always=True), -26.0)
    start = 7 * RATE_HZ
    sound[start : start + call.size] += at_level(call, -26.0)
    speech, _ = room_speech_spans(scores(sound, ALL))
    assert covered([Span(7.0, 7.3)], speech) == 1.0


def test_less_is_replaced_where_nobody_speaks() -> None:
    apart = whole = 0.0
    for seed in (0, 2):  # of the first four those in which a detector is alarmed
        sound = procedure_noise(np.random.default_rng(seed), 20 * RATE_HZ)
        series = scores(at_level(sound, -26.0), ALL)
        apart += total_s(room_spans(found_hops(series), series.duration_s))
        whole += total_s(room_speech_spans(series)[0])
    assert apart > 1.0 and whole < 0.3 * apart, (whole, apart)


def test_a_short_stretch_is_left_for_speech_sooner_than_a_long_one() -> None:
    """One that the regression holds for a machine by less than the margin, as short and longer."""
    count, flat = round(30 / HOP_S), np.zeros(speech_stretch._VALUES, np.float32)
    weights = {"mean": flat, "spread": flat + 1, "slope": flat, "level": np.float32(-4.2)}
    for hops, kept in ((speech_stretch.CALL_HOPS, True), (speech_stretch.CALL_HOPS + 1, False)):
        found = np.zeros(count, bool)
        found[300 : 300 + hops] = True
        said = speech_stretch.spoken(told(30), found, weights, -3.75)
        assert said.any() == kept
    weights["level"] = np.float32(-4.6)
    assert not speech_stretch.spoken(told(30), found, weights, -3.75).any()
