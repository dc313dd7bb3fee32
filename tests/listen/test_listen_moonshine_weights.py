"""What is added to the weights of moonshine's encoder: that it is added rightly, fits the file, and what it is for."""

import io
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from spoken import say

from voicecoach.audio.line import Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import parse
from voicecoach.listen import registry
from voicecoach.listen.engines import moonshine_network, moonshine_weights, taught
from voicecoach.listen.engines.moonshine import MoonshineScorer
from voicecoach.listen.engines.moonshine_network import MoonshineNetwork, folder, why_not
from voicecoach.listen.engines.scorer import Array

TRAINING = Path(__file__).parents[1] / "bench" / "training"
GRAMMARS = Path(__file__).parents[2] / "grammars"
HELD_OUT = ("en-us+f3", "en-gb-x-rp+m1", "en-gb-x-gbclan+f1")
"""Voices that are in no training material."""
needs_moonshine = pytest.mark.skipif(bool(why_not()), reason="moonshine-voice has wheels for some systems only")
finite = st.floats(-4, 4, width=16)


def stored(**arrays: Array) -> bytes:
    made = io.BytesIO()
    np.savez(made, **{name.replace("__", "/"): value for name, value in arrays.items()})  # type: ignore[arg-type]
    return made.getvalue()


@given(st.lists(finite, min_size=6, max_size=6), st.lists(finite, min_size=6, max_size=6))
def test_a_difference_of_floats_is_added_where_it_belongs_and_nowhere_else(old: list[float], more: list[float]) -> None:
    file = b"head" + np.array(old, np.float32).tobytes() + b"tail"
    difference = np.array(more, np.float16).reshape(2, 3)
    found = moonshine_weights.encoder(file, stored(w__d=difference, w__at=np.array([4])))
    assert (found[:4], found[-4:]) == (b"head", b"tail")
    np.testing.assert_array_equal(
        np.frombuffer(found[4:-4], np.float32), np.float32(old) + difference.astype(np.float32).ravel()
    )


@given(
    st.binary(min_size=6, max_size=6),
    st.integers(0, 255),
    st.lists(finite, min_size=2, max_size=2),
    st.lists(finite, min_size=3, max_size=3),
)
def test_a_product_is_added_to_weights_of_8_bits_to_within_half_of_their_new_scale(
    old: bytes, zero: int, outputs: list[float], inputs: list[float]
) -> None:
    """Two outputs and three inputs, the inputs' rows first in the file; then the scale and the zero point."""
    scale = np.float32(0.03)
    file = old + scale.tobytes() + bytes([zero])
    b, a = np.array(outputs, np.float16)[:, None], np.array(inputs, np.float16)[None]
    assume(set(old) != {zero} or (any(outputs) and any(inputs)))  # zeros alone have no scale
    found = moonshine_weights.encoder(file, stored(w__b=b, w__a=a, w__at=np.array([0, 6, 10])))
    now = np.frombuffer(found[6:10], np.float32)[0]
    weights = (np.frombuffer(found[:6], np.uint8).astype(np.float32) - found[10]) * now
    before = (np.frombuffer(old, np.uint8).astype(np.float32) - zero) * scale
    wanted = before + (b.astype(np.float32) @ a.astype(np.float32)).T.ravel()
    assert np.abs(weights - wanted).max() <= 0.51 * now + 1e-6


@needs_moonshine
def test_the_differences_are_small_and_lie_within_the_packages_file() -> None:
    data, whole = taught.MOONSHINE.read(), (folder() / "encoder_model.ort").stat().st_size
    assert len(data) <= 5_000_000
    with np.load(io.BytesIO(data), allow_pickle=False) as file:
        for name in file.files:
            if name.endswith("/at"):
                assert all(0 < place < whole for place in file[name].tolist())
            else:
                assert file[name].dtype == np.float16
                assert np.isfinite(file[name]).all()


@pytest.fixture(scope="module")
def scorers() -> dict[str, MoonshineScorer]:
    made = {"taught": MoonshineScorer(), "original": MoonshineScorer(MoonshineNetwork("original"))}
    grammar = parse((GRAMMARS / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
    for scorer in made.values():
        scorer.prepare(grammar)
    return made


def levelled(sound: Samples) -> Samples:
    made: Samples = (sound * 0.08 / np.sqrt(np.mean(sound**2))).astype(np.float32)
    return made


@needs_moonshine
@pytest.mark.parametrize("kind", ["noise", "voices"])
def test_its_encoder_lets_more_words_be_known_through_noise_and_voices_than_the_original(
    kind: str, scorers: dict[str, MoonshineScorer]
) -> None:
    """The best of all phrases; held against the original's on the same sounds."""
    known = {"taught": 0, "original": 0}
    rng = np.random.default_rng(3)
    for voice in HELD_OUT:
        for text in ("gown removed", "step complete", "false alarm", "foot", "mouth", "done"):
            clean = levelled(say(text, voice=voice, pads_s=0.25))
            talk = sum(np.resize(say(f"bring me two of those {n}", voice="en-gb+m4"), len(clean)) for n in "abc")
            other = talk if kind == "voices" else rng.standard_normal(len(clean))
            spoiled = clean + 0.04 * other / np.sqrt(np.mean(np.square(other)))
            for name, scorer in scorers.items():
                best = scorer.phrases[int(scorer.rank(spoiled.astype(np.float32)).scores.argmax())]
                known[name] += best == text
    assert known["taught"] >= known["original"] + 6


@needs_moonshine
@pytest.mark.parametrize(
    ("change", "why"),
    [({"sha256": "0" * 64}, "taught-moonshine.npz: is damaged"), ({"name": "gone.npz"}, "gone.npz: is missing")],
)
def test_without_its_taught_weights_the_phonemes_listen_alone_and_the_reason_is_one_line(
    change: dict[str, str], why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(taught, "MOONSHINE", replace(taught.MOONSHINE, **change))
    with pytest.raises(EngineError, match="reinstall voicecoach") as error:
        MoonshineNetwork()
    assert "\n" not in error.value.line()
    assert registry.choose().name == "phonemes"
    assert why in registry.passed_over("phonemes")
    assert moonshine_network.why_not().startswith(why)


@needs_moonshine
def test_the_encoder_that_is_taught_gives_the_numbers_of_the_one_that_hears() -> None:
    """Reference: the architecture in the library transformers, on the same weights, not rounded to 8 bits."""
    torch = pytest.importorskip("torch", reason="PyTorch is needed only to teach the encoder")
    pytest.importorskip("transformers", reason="transformers is needed only to teach the encoder")
    sys.path.insert(0, str(TRAINING))
    try:
        import encoder_student  # noqa: PLC0415 (needs torch)
    finally:
        sys.path.remove(str(TRAINING))
    sound = levelled(say("gown off, step complete", voice="en-us"))
    model = encoder_student.whole(torch.device("cpu"))
    states = model.model.encoder(torch.tensor(sound)[None]).last_hidden_state.detach().numpy()
    own = MoonshineNetwork("original").listen(sound)[0].states
    assert states.shape == own.shape
    assert np.abs(states - own).mean() < 0.1 * np.abs(own).mean()
