"""Moonshine's English encoder and decoder, run by onnxruntime; no other module imports it.

They come with the package `moonshine-voice` (MIT), whose own native library is not loaded. None of it is documented:
the shapes below were read from the files, and a test compares the results with the package's own transcriber. The
encoder was trained further (see `taught`).
"""

from __future__ import annotations

import hashlib
import importlib.util
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from voicecoach.audio.line import Samples
from voicecoach.errors import EngineError
from voicecoach.listen.engines import moonshine_weights, taught
from voicecoach.listen.engines.moonshine_pieces import BEGIN, Pieces
from voicecoach.listen.engines.scorer import Array

VERSION = "0.0.48"
MEND = f"python -m pip install 'moonshine-voice=={VERSION}' onnxruntime, or reinstall voicecoach"
MODULE, RUNTIME = "moonshine_voice", "onnxruntime"
_ENCODER, _DECODER, _PIECES = "encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin"
FILES = {
    _ENCODER: "94e90a4654fc45cdfedb77c4c08e1739f48862998e58fada384b25118134f221",
    _DECODER: "cf524c4862d36e9e5ab032eddc73637efd822d70e868ac575cf1a46e1e4708a0",
    _PIECES: "6884b35fd6377d4c4d32336a0bc152f36b64d1e45b6503683cdc238250a8472d",
}
"""SHA-256 of each file in the wheel of VERSION."""

_LAYERS, _HEADS, _WIDTH = 6, 8, 36
_KEYS = [
    f"past_key_values.{layer}.{side}.{kind}"
    for layer in range(_LAYERS)
    for side in ("decoder", "encoder")
    for kind in ("key", "value")
]
_OF_DECODER = [place for place, name in enumerate(_KEYS) if ".decoder." in name]
_OF_ENCODER = [place for place, name in enumerate(_KEYS) if ".encoder." in name]


def why_not(installed: Callable[[str], bool] | None = None) -> str:
    """Why moonshine cannot run here; '' if it can. Reads all its files (0.1 s) and loads nothing.

    Args:
        installed: whether a module is installed; by default, as the import system finds.
    """
    there = installed if installed is not None else lambda module: importlib.util.find_spec(module) is not None
    for module, package in ((RUNTIME, "onnxruntime"), (MODULE, "moonshine-voice")):
        if not there(module):
            return f"the package {package} is not installed"
    where = folder()
    for name, digest in FILES.items():
        file = where / name
        if not file.is_file():
            return f"moonshine-voice has no {name}: it is not version {VERSION}"
        with file.open("rb") as data:
            if hashlib.file_digest(data, "sha256").hexdigest() != digest:
                return f"{name} of moonshine-voice is damaged, or not of version {VERSION}"
    return taught.MOONSHINE.trouble()


def folder() -> Path:
    """The folder of the model's files."""
    found = importlib.util.find_spec(MODULE)
    return Path(found.origin if found is not None and found.origin else "").parent / "assets" / "tiny-en"


@dataclass(frozen=True, slots=True)
class EncodedUtterance:
    """An utterance as the decoder sees it. states: shape (1, frames, 288); samples: its length; cross: the decoder's
    keys and values for it, each of shape (1, 8, frames, 36).
    """

    states: Array
    samples: int
    cross: tuple[Array, ...]


@dataclass(frozen=True, slots=True)
class Beams:
    """Partial texts of the decoder. logs: log-probabilities of the next piece, shape (texts, pieces). past: keys and
    values of the texts, each of shape (texts, 8, length, 36).
    """

    logs: Array
    past: tuple[Array, ...]


class MoonshineNetwork:
    """Encoder and decoder, on one thread.

    Args:
        weights: of the encoder: 'taught', or the package's own.

    Raises:
        EngineError: a package is missing or of another version, or a file is damaged.
    """

    def __init__(self, weights: taught.Weights = "taught") -> None:
        if reason := why_not():
            raise EngineError(reason, where="engine moonshine", mend=MEND)
        where = folder()
        try:
            import onnxruntime  # noqa: PLC0415 a native library: only where it is used

            self.pieces = Pieces.read(where / _PIECES)
            options = onnxruntime.SessionOptions()
            options.intra_op_num_threads = options.inter_op_num_threads = 1
            options.log_severity_level = 3
            options.enable_cpu_mem_arena = False
            encoder = (where / _ENCODER).read_bytes()
            if weights == "taught":
                encoder = moonshine_weights.encoder(encoder, taught.MOONSHINE.read())
            self._encoder, self._decoder = (
                onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
                for model in (encoder, str(where / _DECODER))
            )
        except Exception as error:  # noqa: BLE001 onnxruntime raises several kinds, all undocumented
            raise EngineError(f"moonshine cannot be loaded: {error}", where="engine moonshine", mend=MEND) from None

    def listen(self, samples: Samples) -> tuple[EncodedUtterance, Beams]:
        """Encode an utterance of shape (samples,); returns it with the empty text to start from."""
        sound = np.ascontiguousarray(samples, np.float32)[None]
        (states,) = self._encoder.run(
            ["last_hidden_state"], {"input_values": sound, "attention_mask": np.ones(sound.shape, np.int64)}
        )
        empty = np.zeros((1, _HEADS, 0, _WIDTH), np.float32)
        logs, past = self._run([BEGIN], [empty] * len(_KEYS), states, sound.shape[1], first=True)
        heard = EncodedUtterance(states, sound.shape[1], tuple(past[place] for place in _OF_ENCODER))
        return heard, Beams(logs, tuple(past[place] for place in _OF_DECODER))

    def add(self, heard: EncodedUtterance, beams: Beams, texts: Sequence[int], pieces: Sequence[int]) -> Beams:
        """The texts `texts` (rows of `beams`), each extended by one piece."""
        shape = (len(texts), *heard.cross[0].shape[1:])
        past: list[Array] = [np.empty(0, np.float32)] * len(_KEYS)
        for place, own in zip(_OF_DECODER, beams.past, strict=True):
            past[place] = own[list(texts)]
        for place, cross in zip(_OF_ENCODER, heard.cross, strict=True):
            past[place] = np.ascontiguousarray(np.broadcast_to(cross, shape))
        logs, new = self._run(pieces, past, heard.states, heard.samples, first=False)
        return Beams(logs, tuple(new[place] for place in _OF_DECODER))

    def _run(
        self, pieces: Sequence[int], past: Sequence[Array], states: Array, samples: int, *, first: bool
    ) -> tuple[Array, list[Any]]:
        count = len(pieces)
        given = {
            "encoder_attention_mask": np.ones((count, samples), np.int64),
            "input_ids": np.asarray(pieces, np.int64)[:, None],
            "encoder_hidden_states": np.ascontiguousarray(np.broadcast_to(states, (count, *states.shape[1:]))),
            "use_cache_branch": np.array([not first]),
            **dict(zip(_KEYS, past, strict=True)),
        }
        logits, *new = self._decoder.run(None, given)
        last = logits[:, -1]
        top = last.max(axis=1, keepdims=True)
        logs: Array = last - top - np.log(np.exp(last - top).sum(axis=1, keepdims=True))
        return logs, new
