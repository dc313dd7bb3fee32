"""The phone network beside the engine of the package that its weights come from."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from package_engine import package_log_probabilities, package_model
from spoken import say

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.listen.engines import network as network_module
from voicecoach.listen.engines.conformer import gelu, sigmoid
from voicecoach.listen.engines.network import HamaNetwork
from voicecoach.listen.engines.phonemes import FRAME


@pytest.fixture(scope="module")
def network() -> HamaNetwork:
    return HamaNetwork("original")


def sounds() -> dict[str, Samples]:
    """Sounds by name, at 16 kHz."""
    rng = np.random.default_rng(5)
    return {
        "a voice": say("gown off, step complete", voice="en-us", pads_s=0.25),
        "another voice": say("breach, breach", voice="en-gb+f3", pads_s=0.1),
        "noise": (0.1 * rng.standard_normal(RATE_HZ)).astype(np.float32),
        "silence": np.zeros(RATE_HZ // 2, np.float32),
        "a tenth of a second": say("repeat", voice="en-us")[: RATE_HZ // 10],
        "an odd length": say("shield in place", voice="en-us")[:12_345],
        "12 seconds": np.resize(say("the patient is stable", voice="en-us", pads_s=0.2), 12 * RATE_HZ),
    }


@pytest.mark.parametrize("name", sounds())
def test_its_numbers_are_those_of_the_package_whose_weights_it_computes(network: HamaNetwork, name: str) -> None:
    """Reference: the engine inside hama 1.7.0, a general-purpose phone recogniser (Apache-2.0)."""
    sound = sounds()[name]
    expected = package_log_probabilities(sound)
    logs = network.log_probabilities(sound)
    assert logs.shape == expected.shape
    # rounding adds up, and shows most where a phone is very unlikely
    assert np.abs(np.exp(logs) - np.exp(expected)).max() < 0.05
    assert np.abs(logs - expected).max() < 0.2


def test_its_columns_are_the_phones_of_the_package(network: HamaNetwork) -> None:
    assert list(network.phones) == package_model().decoder_tokens
    assert network.blank == package_model().blank_id


@settings(deadline=None, max_examples=20)
@given(samples=st.integers(201, 2 * RATE_HZ), loud=st.sampled_from([0.0, 1e-6, 0.1, 1.0]), seed=st.integers(0, 99))
def test_it_gives_probabilities_every_20_ms_whatever_the_sound(network, samples: int, loud: float, seed: int) -> None:
    sound = np.clip(loud * np.random.default_rng(seed).standard_normal(samples), -1, 1).astype(np.float32)
    logs = network.log_probabilities(sound)
    assert logs.shape == ((samples // (FRAME // 2) + 2) // 2, 191)
    assert np.exp(logs.astype(np.float64)).sum(axis=1) == pytest.approx(1.0, abs=1e-4)


@given(st.floats(-50, 50, width=32))
def test_its_activations_are_those_of_their_formulas(x: float) -> None:
    """Reference: the error function of Python's math module."""
    at = np.array([x], np.float32)
    assert gelu(at)[0] == pytest.approx(x * (1 + math.erf(x / math.sqrt(2))) / 2, abs=1e-5)
    assert sigmoid(at)[0] == pytest.approx(1 / (1 + math.exp(-x)), abs=1e-6)


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda data: b"", "its weights are of another kind"),
        (lambda data: b"RIFF" + data, "its weights are of another kind"),
        (lambda data: data[:5000], "unpack"),
        (lambda data: data[: len(data) // 2], "buffer"),
        (lambda data: data.replace(b"blocks.2.norm.bias", b"blocks.2.norm.gone", 1), "blocks.2.norm.bias"),
        (lambda data: data.replace(b"onnx::MatMul_864", b"onnx::MatLul_864", 1), "more or fewer"),
        (lambda data: data.replace(b"onnx::Conv_814", b"onnx::Comv_814", 1), "more or fewer"),
    ],
)
def test_weights_that_are_not_those_of_this_network_are_reported_in_one_line(spoil, why, monkeypatch) -> None:
    real = network_module.tensors
    monkeypatch.setattr(network_module, "tensors", lambda data: real(spoil(data)))
    with pytest.raises(EngineError) as caught:
        HamaNetwork("original")
    message = str(caught.value)
    assert message.startswith("engine phonemes: the phoneme recogniser cannot be loaded: ")
    assert why in message
    assert "hama==1.7.0" in message
    assert "\n" not in message


def test_a_word_that_cannot_be_spelt_here_is_reported_in_one_line(network: HamaNetwork, monkeypatch) -> None:
    from hama import inference  # noqa: PLC0415 (a native library)

    assert network.spell("gown")
    other = HamaNetwork("original")
    monkeypatch.setattr(inference, "G2PModel", lambda: (_ for _ in ()).throw(RuntimeError("libhama not available")))
    with pytest.raises(EngineError) as caught:
        other.spell("gown")
    expected = "word 'gown': cannot be spelt: libhama not available; expected an entry under 'sounds'"
    assert str(caught.value) == expected
