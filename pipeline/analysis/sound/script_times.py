"""When each word of a script is said: one search over all of it, in which nothing has to be said.

The grammar is the script: sentence after sentence in order, each of which may be left out, and
between two of them any phones at all, at a price. The likeliest way through it (Viterbi, by
PocketSphinx with its English model) tells where the sentences lie, which were never said, and
what was said that is not in the script. Pauses are cut short first: the model evens out its
input over all of it, and silence would weigh too much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.pronounce import CONSONANTS, VOWELS
from pipeline.model.time import Span, merge_spans

RATE_HZ = 16_000
_PART_S, _MARGIN_S = 120.0, 15.0
"""How much is searched at once, and how much of its end is searched again with what follows."""
_WORDS_PER_S, _MOST_REACH = 5.0, 3
"""Of the script for each second of a part: more than the fastest say. Up to three times as many
where nothing was found before; 700 words take about 200 MB."""
Say = Callable[[str], Sequence[str]]
_PAUSE_PAD_S = 0.15  # left of a pause on both sides of speech
ANY_PHONE = 1e-9
"""Price of a phone outside the script. At 1e-6 more spoken sentences were taken for other words, at
1e-14 an unspoken one was placed (24 made takes, 374 sentences)."""
LEFT_OUT = 1e-4
"""Price of a sentence that is left out. At 1e-2 twelve takes joined (206 sentences, several voices)
lost step: 57 were missed and 3 unspoken ones placed, for 17 and none, at twice the cost."""
_BEAM = 1e-60  # so that up to 15 sentences in a row may be left out
_FRAME_S = 0.01
_STRAY_S, _STRAYS_FROM = 1.2, 5  # of a pause in a sentence of so many words
_STEP_S, _WINDOW_S = 0.005, 0.015  # of levels
_REACH_S, _AROUND_S = 0.25, 0.4
"""How far the level may move the edge of a sentence, and how far it is looked at for that."""
_RISE_RATIO, _RISE_DB = 0.25, 6.0
"""Speech begins where the level has risen by this share from pause to speech, and so much."""


@dataclass(frozen=True)
class Placed:
    """Where the words of a script are said; a sentence that is not said has None.

    sentences: for each the spans [start_s, stop_s) of its words in order. beside_s: how much
    was said that is not in the script.
    """

    sentences: list[list[Span] | None]
    beside_s: float


def place_words(
    sound: NDArray[np.int16],
    speech: Sequence[Span],
    sentences: Sequence[Sequence[str]],
    say: Say,
) -> Placed:
    """Place the words of each sentence (small Latin letters) in the sound.

    sound: (sample,) at 16 kHz, one channel. speech: where there is any. say: the phones of a
    word that the dictionary of the model does not hold. Times are seconds of the sound. A
    sentence without words has None.
    """
    kept = merge_spans(s.padded(_PAUSE_PAD_S, len(sound) / RATE_HZ) for s in speech)
    cut = b"".join(sound[_at(s.start_s) : _at(s.stop_s)].tobytes() for s in kept)
    placed: list[list[Span] | None] = [None] * len(sentences)
    *_, end_s = accumulate((s.length_s for s in kept), initial=0.0)
    beside_s, at_s, first, reach = 0.0, 0.0, 0, 1
    while at_s < end_s:
        stop_s = _end_of_part(at_s, kept)
        last = _end_of_window(sentences, first, reach * _WORDS_PER_S * (stop_s - at_s))
        path = _search(cut[2 * _at(at_s) : 2 * _at(stop_s)], sentences[first:last], say)
        found = _whole(path, sentences[first:last])
        more = stop_s < end_s
        sure = [k for k, w in found.items() if not more or w[-1].stop_s < stop_s - at_s - _MARGIN_S]
        done_s = stop_s - at_s
        if more:
            done_s = found[sure[-1]][-1].stop_s if sure else done_s - _MARGIN_S
        for k in sure:
            placed[first + k] = _together([_in_sound(w, at_s, kept) for w in found[k]])
        beside_s += sum(w.length_s for name, w in path if _is_any(name) and w.stop_s <= done_s)
        first, reach = (first + sure[-1] + 1, 1) if sure else (first, min(reach + 1, _MOST_REACH))
        at_s = at_s + done_s if more else end_s
    _to_the_level(placed, _levels_db(sound))
    return Placed(placed, beside_s)


def _end_of_part(at_s: float, kept: Sequence[Span]) -> float:
    """Where a part of the sound without pauses ends that begins at `at_s`: in a pause if it can."""
    most_s = at_s + _PART_S
    ends = list(accumulate(s.length_s for s in kept))
    if ends[-1] <= most_s:
        return ends[-1]
    return max((e for e in ends if at_s + _PART_S / 2 < e <= most_s), default=most_s)


def _end_of_window(sentences: Sequence[Sequence[str]], first: int, words: float) -> int:
    """The end of the sentences from `first` on that hold so many words."""
    last = first
    while last < len(sentences) and words > 0:
        words -= max(1, len(sentences[last]))
        last += 1
    return last


def _whole(
    path: Sequence[tuple[str, Span]], sentences: Sequence[Sequence[str]]
) -> dict[int, list[Span]]:
    """The spans of the words of each sentence that is on the path."""
    found: dict[int, list[Span]] = {}
    for name, span in path:
        if not _is_any(name):
            found.setdefault(int(name.partition(":")[0]), []).append(span)
    return found


def _search(
    sound: bytes, sentences: Sequence[Sequence[str]], say: Say
) -> list[tuple[str, Span]]:
    """The words of the likeliest way, with their spans in `sound`; none where there is no way.

    A word of the script is 'NUMBER:word', what is said beside the script '_PHONE'.
    """
    from pocketsphinx import Decoder

    decoder = Decoder(
        samprate=RATE_HZ, lm=None, loglevel="FATAL", bestpath=False,
        lw=1.0, pip=1.0, wip=1.0, beam=_BEAM, wbeam=_BEAM, pbeam=1e-48,
    )  # fmt: skip
    phones = sorted(VOWELS | CONSONANTS)
    for phone in phones:
        decoder.add_word(f"_{phone}", phone, False)
    for number, sentence in enumerate(sentences):
        for word in dict.fromkeys(sentence):
            for name, said in _ways(decoder, say, word):
                decoder.add_word(f"{number}:{name}", said, False)
    decoder.add_word("_", "SIL", True)  # the last one makes the others known
    arcs = list(_arcs(sentences, phones))
    decoder.add_fsg("script", decoder.create_fsg("script", 0, len(sentences) + 1, arcs))
    decoder.activate_search("script")
    decoder.start_utt()
    decoder.process_raw(sound, full_utt=True)
    decoder.end_utt()
    if decoder.hyp() is None:
        return []
    return [
        (s.word.partition("(")[0], Span(s.start_frame * _FRAME_S, (s.end_frame + 1) * _FRAME_S))
        for s in decoder.seg()
        if s.word[0] == "_" or s.word[0].isdigit()
    ]


def _ways(decoder: Any, say: Say, word: str) -> Iterator[tuple[str, str]]:
    """(name, phones) of each way that a word is said."""
    said = decoder.lookup_word(word)
    if said is None:
        yield word, " ".join(say(word)) or "AH"
        return
    yield word, said
    number = 2
    while (said := decoder.lookup_word(f"{word}({number})")) is not None:
        yield f"{word}({number})", said
        number += 1


def _arcs(sentences: Sequence[Sequence[str]], phones: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """(from, to, probability, word) of the grammar; without a word where a sentence is left out.

    State n stands before sentence n, then one after all of them, then the end, which may come
    before any sentence.
    """
    free = len(sentences) + 2
    for number, sentence in enumerate(sentences):
        at = number
        for k, word in enumerate(sentence):
            if k < len(sentence) - 1:
                to, free = free, free + 1
            else:
                to = number + 1
            yield at, to, 1.0, f"{number}:{word}"
            at = to
        yield number, number + 1, LEFT_OUT if sentence else 1.0
    for state in range(len(sentences) + 1):
        yield state, len(sentences) + 1, 1.0
        for phone in phones:
            yield state, state, ANY_PHONE, f"_{phone}"


def _together(words: list[Span]) -> list[Span]:
    """The words of a sentence, none of the first or last two far away from the others.

    A short word is heard in many places: 'the' was found 2.6 s before its sentence.
    """
    if len(words) < _STRAYS_FROM:
        return words
    words = list(words)
    for k in (2, 1):
        if words[k].start_s - words[k - 1].stop_s > _STRAY_S:
            words[:k] = [Span(words[k].start_s, words[k].start_s)] * k
            break
    for k in (-3, -2):
        if words[k + 1].start_s - words[k].stop_s > _STRAY_S:
            words[k + 1 :] = [Span(words[k].stop_s, words[k].stop_s)] * (-k - 1)
            break
    return words


def _is_any(word: str) -> bool:
    return word.startswith("_")


def _at(time_s: float) -> int:
    return round(time_s * RATE_HZ)


def _in_sound(span: Span, from_s: float, kept: Sequence[Span]) -> Span:
    """A span after `from_s` of the sound without its pauses, in the sound with them."""
    found, at = [], -from_s
    for piece in kept:
        a, b = max(span.start_s, at), min(span.stop_s, at + piece.length_s)
        if b > a:
            found.append((piece.start_s + a - at, piece.start_s + b - at))
        at += piece.length_s
    return Span(found[0][0], found[-1][1]) if found else Span(kept[-1].stop_s, kept[-1].stop_s)


def _levels_db(sound: NDArray[np.int16]) -> NDArray[np.float32]:
    """RMS in dB each 5 ms (level,), without rumble."""
    from scipy.signal import butter, sosfilt

    high = sosfilt(butter(2, 150, "high", fs=RATE_HZ, output="sos"), sound.astype(np.float32))
    power = np.concatenate([[0.0], np.cumsum(np.square(high, dtype=np.float64))])
    middle = np.arange(0, len(sound), round(_STEP_S * RATE_HZ))
    half = round(_WINDOW_S * RATE_HZ / 2)
    first, last = np.maximum(middle - half, 0), np.minimum(middle + half, len(sound))
    mean = (power[last] - power[first]) / np.maximum(last - first, 1)
    return np.asarray(10 * np.log10(mean + 1e-3), np.float32)


def _to_the_level(placed: list[list[Span] | None], level_db: NDArray[np.float32]) -> None:
    """Move the edges of sentences that stand beside a pause to where the level rises and falls.

    The model's own edges are 19 ms off in the median, and further where a word is said otherwise
    than it was taken for; the level knows the edge of a pause better.
    """
    said = [words for words in placed if words]
    for number, words in enumerate(said):
        before_s = said[number - 1][-1].stop_s if number else 0.0
        after_s = said[number + 1][0].start_s if number + 1 < len(said) else len(level_db) * _STEP_S
        start_s = _rise(level_db, words[0].start_s, before_s)
        end_s = len(level_db) * _STEP_S
        stop_s = end_s - _rise(level_db[::-1], end_s - words[-1].stop_s, end_s - after_s)
        if start_s < words[0].stop_s:
            words[0] = Span(start_s, words[0].stop_s)
        if stop_s > words[-1].start_s:
            words[-1] = Span(words[-1].start_s, stop_s)


def _rise(level_db: NDArray[np.float32], near_s: float, from_s: float) -> float:
    """Where the level rises out of a pause, nearest to `near_s` and not before `from_s`.

    `near_s` itself where it does not.
    """
    near, first = round(near_s / _STEP_S), round(from_s / _STEP_S)
    reach, around, run = (round(s / _STEP_S) for s in (_REACH_S, _AROUND_S, 0.04))
    before = level_db[max(first, near - around, 0) : near + 1]
    after = level_db[near : near + around]
    if not before.size or not after.size:
        return near_s
    quiet, loud = float(np.percentile(before, 20)), float(np.percentile(after, 90))
    above = level_db > quiet + max(_RISE_DB, _RISE_RATIO * (loud - quiet))
    rises = [
        k
        for k in range(max(first, near - reach, 1), min(near + reach, len(level_db)))
        if above[k] and not above[k - 1]
        and above[k : k + run].mean() > 0.8 and above[max(k - run, 0) : k].mean() < 0.3
    ]  # fmt: skip
    return min(rises, key=lambda k: abs(k - near)) * _STEP_S if rises else near_s
