"""A Whisper model of random weights, as small as it can be: real loading, no sense in its words.

Made with `ctranslate2` and `tokenizers`, both of which come with faster-whisper. The names of the
special tokens are those of the published tokenizer (openai/whisper, tokenizer.py, MIT licence).
"""

from __future__ import annotations

import json
from pathlib import Path

import ctranslate2
import numpy as np
import tokenizers

_DEPTH, _HEADS = 8, 2


def tokens() -> list[str]:
    plain = sorted(tokenizers.pre_tokenizers.ByteLevel.alphabet())
    special = ["<|endoftext|>", "<|startoftranscript|>", "<|en|>", "<|de|>", "<|translate|>",
               "<|transcribe|>", "<|startoflm|>", "<|startofprev|>", "<|nospeech|>",
               "<|notimestamps|>"]  # fmt: skip
    return [*plain, *special, *(f"<|{n * 0.02:.2f}|>" for n in range(1501))]


def tiny_model(folder: Path, seed: int = 1) -> Path:
    """A folder as faster-whisper reads it."""
    folder.mkdir(parents=True)
    words = tokens()
    at = {word: n for n, word in enumerate(words)}
    spec = ctranslate2.specs.WhisperSpec(
        num_encoder_layers=1, num_encoder_heads=_HEADS, num_decoder_layers=1,
        num_decoder_heads=_HEADS,
    )  # fmt: skip
    rng = np.random.default_rng(seed)

    def norm(layer: object) -> None:
        layer.gamma = np.ones(_DEPTH, np.float32)  # type: ignore[attr-defined]
        layer.beta = np.zeros(_DEPTH, np.float32)  # type: ignore[attr-defined]

    def linear(layer: object, *shape: int, biased: bool = True) -> None:
        layer.weight = rng.normal(0, 0.3, shape).astype(np.float32)  # type: ignore[attr-defined]
        if biased:
            layer.bias = np.zeros(shape[0], np.float32)  # type: ignore[attr-defined]

    def attention(layer: object, own: bool) -> None:
        norm(layer.layer_norm)  # type: ignore[attr-defined]
        parts = layer.linear  # type: ignore[attr-defined]
        shapes = [(3 * _DEPTH, _DEPTH)] if own else [(_DEPTH, _DEPTH), (2 * _DEPTH, _DEPTH)]
        for part, shape in zip(parts, [*shapes, (_DEPTH, _DEPTH)], strict=True):
            linear(part, *shape)

    def feed(layer: object) -> None:
        norm(layer.layer_norm)  # type: ignore[attr-defined]
        linear(layer.linear_0, 4 * _DEPTH, _DEPTH)  # type: ignore[attr-defined]
        linear(layer.linear_1, _DEPTH, 4 * _DEPTH)  # type: ignore[attr-defined]

    encoder, decoder = spec.encoder, spec.decoder
    linear(encoder.conv1, _DEPTH, 80, 3)
    linear(encoder.conv2, _DEPTH, _DEPTH, 3)
    encoder.position_encodings.encodings = rng.normal(0, 0.1, (1500, _DEPTH)).astype(np.float32)
    norm(encoder.layer_norm)
    for layer in encoder.layer:
        attention(layer.self_attention, own=True)
        feed(layer.ffn)
    linear(decoder.embeddings, len(words), _DEPTH, biased=False)
    decoder.position_encodings.encodings = rng.normal(0, 0.1, (448, _DEPTH)).astype(np.float32)
    decoder.scale_embeddings = False
    norm(decoder.layer_norm)
    decoder.projection.weight = decoder.embeddings.weight
    for layer in decoder.layer:
        attention(layer.self_attention, own=True)
        attention(layer.attention, own=False)
        feed(layer.ffn)
    spec.register_vocabulary(words)
    spec.config.suppress_ids = []
    spec.config.suppress_ids_begin = []
    spec.config.lang_ids = [at["<|en|>"], at["<|de|>"]]
    spec.config.alignment_heads = [[0, 0]]
    spec.validate()
    spec.save(str(folder))
    model = tokenizers.Tokenizer(
        tokenizers.models.BPE({w: n for w, n in at.items() if not w.startswith("<|")}, [])
    )
    model.pre_tokenizer = tokenizers.pre_tokenizers.ByteLevel(add_prefix_space=False)
    model.decoder = tokenizers.decoders.ByteLevel()
    model.add_special_tokens([w for w in words if w.startswith("<|")])
    model.save(str(folder / "tokenizer.json"))
    (folder / "preprocessor_config.json").write_text(json.dumps({"feature_size": 80}))
    return folder
