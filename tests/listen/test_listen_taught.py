"""The taught weights of both networks: what is stored, what follows if it cannot be used, and what they are for."""

import io
import sys
from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from spoken import say

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.listen import registry
from voicecoach.listen.engines import taught
from voicecoach.listen.engines.network import HamaNetwork, original

TRAINING = Path(__file__).parents[1] / "bench" / "training"
HELD_OUT = ("en-us+f3", "en-gb-x-rp+m1", "en-gb-x-gbclan+f1")
"""Voices that are in no training material."""


@pytest.fixture(scope="module")
def networks() -> dict[str, HamaNetwork]:
    return {"taught": HamaNetwork(), "original": HamaNetwork("original")}


def test_the_weights_are_small_whole_and_of_the_shapes_of_the_original() -> None:
    data = resources.files("voicecoach.listen.engines").joinpath(taught.PHONES.name).read_bytes()
    assert len(data) <= 5_000_000
    shapes = {name: value.shape for name, value in original().items()}
    with np.load(io.BytesIO(data), allow_pickle=False) as stored:
        assert set(stored.files) == {name for name in shapes if name != "mel_fb" and not name.startswith("stft_")}
        for name in stored.files:
            assert stored[name].dtype == np.float16
            assert stored[name].shape == shapes[name]
            assert np.isfinite(stored[name]).all()


def test_the_taught_weights_are_used_unless_the_others_are_asked_for(networks: dict[str, HamaNetwork]) -> None:
    for name, network in networks.items():
        assert (network.weights, network.trouble) == (name, "")


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_the_mix_has_the_share_it_is_asked_for(share: float) -> None:
    first, found = original(), taught.mixed(original(), share)
    whole = taught.mixed(original(), 1.0)
    assert list(found) == list(first)  # the order is that of the network
    for name, value in found.items():
        np.testing.assert_allclose(value, (1 - share) * first[name] + share * whole[name], atol=1e-6)


@pytest.mark.parametrize(
    ("change", "why"),
    [({"sha256": "0" * 64}, "taught-phones.npz: is damaged"), ({"name": "gone.npz"}, "gone.npz: is missing")],
)
def test_a_file_that_cannot_be_used_is_reported_in_one_line_and_the_original_hears(
    change: dict[str, str], why: str, monkeypatch: pytest.MonkeyPatch, networks: dict[str, HamaNetwork]
) -> None:
    monkeypatch.setattr(taught, "PHONES", replace(taught.PHONES, **change))
    network = HamaNetwork()
    assert network.weights == "original"
    assert network.trouble.startswith(why)
    assert "\n" not in network.trouble
    sound = say("gown removed", voice="en-us")
    np.testing.assert_array_equal(network.log_probabilities(sound), networks["original"].log_probabilities(sound))
    state = next(state for state in registry.engines() if state.name == "phonemes")
    assert state.can_run
    assert why in state.detail


def test_weights_that_are_not_of_this_network_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    fewer = {name: value[..., :1] for name, value in original().items()}
    with pytest.raises(ValueError, match="another shape"):
        taught.mixed(fewer)
    monkeypatch.setattr(taught.TaughtWeights, "read", lambda _: b"PK\x03\x04 cut short")
    with pytest.raises(ValueError, match=r"."):
        taught.mixed(original())
    with pytest.raises(EngineError, match="cannot be loaded"):
        HamaNetwork()


def background(count: int, under: float) -> Samples:
    """Three other voices at once, RMS `under`, shape (count,)."""
    texts = ("the patient is stable and the room is ready", "bring me two of those", "who has the key to the store")
    voices = [np.resize(say(text, voice="en-gb+m4", pitch=40 + 10 * i), count) for i, text in enumerate(texts)]
    mixed = np.sum(voices, axis=0)
    return (mixed * under / np.sqrt(np.mean(mixed**2))).astype(np.float32)


@pytest.mark.parametrize("kind", ["noise", "voices"])
def test_it_hears_more_of_the_clean_voice_through_noise_and_voices_than_the_original(
    kind: str, networks: dict[str, HamaNetwork]
) -> None:
    """Held against the original's own phones of the clean sound (the divergence that it was taught to lessen)."""
    apart = {"taught": 0.0, "original": 0.0}
    for voice in HELD_OUT:
        for text in ("gown removed", "step complete", "false alarm", "repeat that"):
            clean = say(text, voice=voice, pads_s=0.25)
            clean = (clean * 0.08 / np.sqrt(np.mean(clean**2))).astype(np.float32)
            white = np.random.default_rng(3).standard_normal(len(clean))
            other = background(len(clean), 0.025) if kind == "voices" else 0.025 * white
            target = networks["original"].log_probabilities(clean).astype(np.float64)
            for name, network in networks.items():
                heard = network.log_probabilities((clean + other).astype(np.float32))
                apart[name] += float((np.exp(target) * (target - heard)).sum(axis=1).mean())
    assert apart["taught"] < 0.9 * apart["original"]


def test_the_network_that_is_taught_gives_the_numbers_of_the_one_that_hears(networks: dict[str, HamaNetwork]) -> None:
    torch = pytest.importorskip("torch", reason="PyTorch is needed only to teach the network")
    sys.path.insert(0, str(TRAINING))
    try:
        from student import copied, log_probabilities  # noqa: PLC0415 (needs torch)
    finally:
        sys.path.remove(str(TRAINING))
    named = copied(original(), torch.device("cpu"))
    rng = np.random.default_rng(1)
    for sound in (say("gown off, step complete", voice="en-us"), 0.1 * rng.standard_normal(RATE_HZ).astype(np.float32)):
        logs = log_probabilities(named, torch.tensor(np.array(sound))[None])[0].numpy()
        assert np.abs(logs - networks["original"].log_probabilities(sound)).max() < 1e-3
