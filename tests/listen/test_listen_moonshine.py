"""Moonshine's tokenizer, tree and scores, held to the package's own transcriber and to plain reckoning."""

import shutil
import wave
from pathlib import Path

import numpy as np
import pytest
import soxr
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar, parse
from voicecoach.listen.engines import moonshine_network
from voicecoach.listen.engines.moonshine import LEAST, MoonshineScorer, noises
from voicecoach.listen.engines.moonshine_network import MoonshineNetwork, folder, why_not
from voicecoach.listen.engines.moonshine_pieces import BEGIN, END, Pieces
from voicecoach.listen.engines.moonshine_tree import PrefixNode, plant, spellings

ENGLISH = parse((Path(__file__).parents[2] / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
needs_moonshine = pytest.mark.skipif(bool(why_not()), reason="moonshine-voice has wheels for some systems only")


@pytest.fixture(scope="module")
def scorer() -> MoonshineScorer:
    made = MoonshineScorer()
    made.prepare(ENGLISH)
    return made


def reader(seconds: float, begin_s: float = 0.0) -> Samples:
    """Real speech that lies in the package: a reader of "A Tale of Two Cities"."""
    with wave.open(str(folder().parent / "two_cities.wav")) as file:
        rate_hz = file.getframerate()
        file.setpos(round(begin_s * rate_hz))
        data = np.frombuffer(file.readframes(round(seconds * rate_hz)), np.int16).reshape(-1, file.getnchannels())
    made: Samples = soxr.resample(data[:, 0].astype(np.float32) / 32768, rate_hz, RATE_HZ).astype(np.float32)
    return made


def test_pieces_are_merged_by_lowest_id_and_come_back_as_they_were() -> None:
    texts = [b"<unk>", b"<s>", b"</s>", *(bytes([byte]) for byte in range(256)), "▁".encode(), b"a", b"b", b"ab", b"."]
    texts += ["▁a".encode()]
    pieces = Pieces(b"".join(bytes([len(text)]) + text for text in texts))
    assert pieces.decode(pieces.encode("ab b")) == "ab b"
    assert [pieces.texts[number] for number in pieces.encode("ab")] == ["▁".encode(), b"ab"]
    assert pieces.decode(pieces.encode("é")) == "é"  # by its bytes
    assert pieces.one(".") == len(texts) - 2  # not the byte, which the model never writes


def test_a_tokenizer_that_is_cut_short_is_none() -> None:
    with pytest.raises(ValueError, match="truncated"):
        Pieces(b"\x02ab\x05abc")


@needs_moonshine
@given(st.text("abcdefghijklmnopqrstuvwxyz '", min_size=1, max_size=40))
def test_any_text_survives_its_pieces(text: str) -> None:
    assert PIECES().decode(PIECES().encode(text)) == text.strip()


def PIECES(cache: dict[str, Pieces] = {}) -> Pieces:  # noqa: N802, B006 read once
    if not cache:
        cache["all"] = Pieces.read(folder() / "tokenizer.bin")
    return cache["all"]


@given(st.lists(st.text("abc ", min_size=1, max_size=6), min_size=1, max_size=8, unique=True))
def test_each_phrase_ends_once_for_each_of_its_spellings(phrases: list[str]) -> None:
    def ends(node: PrefixNode) -> list[int]:
        return [*node.ends, *(number for child in node.children.values() for number in ends(child))]

    found = ends(plant(phrases, lambda text: [ord(letter) for letter in text], 1))
    assert sorted(found) == sorted(n for n, phrase in enumerate(phrases) for _ in spellings(phrase))


@needs_moonshine
@pytest.mark.long
def test_the_text_is_that_of_the_packages_own_transcriber() -> None:
    """Reference: moonshine-voice 0.0.48, its own native library and weights, on the stretches of speech that it finds.

    One line in eight may differ: its detector cuts a little otherwise than it says.
    """
    transcriber = pytest.importorskip("moonshine_voice.transcriber", reason="its native library does not load here")
    scorer = MoonshineScorer(MoonshineNetwork("original"))
    own = transcriber.Transcriber(str(folder()), transcriber.ModelArch.TINY)
    same = lines = 0
    try:
        for begin_s in (0.5, 12.0, 20.0, 30.0, 40.0):
            sound = reader(4.0, begin_s)
            for line in own.transcribe_without_streaming(sound.tolist(), RATE_HZ).lines:
                if line.duration >= 1.0:
                    begin, end = round(line.start_time * RATE_HZ), round((line.start_time + line.duration) * RATE_HZ)
                    text, _ = scorer._freely(*scorer._network.listen(sound[begin:end]))
                    same, lines = same + (words(text) == words(line.text)), lines + 1
    finally:
        own.close()
    assert lines >= 8
    assert lines - same <= 1


def words(text: str) -> list[str]:
    return "".join(letter for letter in text.lower() if letter.isalpha() or letter == " ").split()


@needs_moonshine
def test_the_tree_gives_what_each_phrase_alone_gives(scorer: MoonshineScorer) -> None:
    """Reference: the chain rule over the pieces of one spelling, without tree, beams or floor.

    The model's weights are bytes, scaled by what it is given together: a bundle of texts gives figures that differ by
    some tenths of a nat from those of each alone.
    """
    network, sound = scorer._network, reader(1.2, 2.0)
    phrases = ["gown off", "gown on", "done", "step complete", "no air"]
    heard, empty = network.listen(sound)
    tree = plant(phrases, network.pieces.encode, BEGIN)
    found = scorer._follow(heard, empty, tree, len(phrases), beams=10**6, least=-np.inf)
    for phrase, score in zip(phrases, found, strict=True):
        each = [alone(network, sound, text, scorer._ends) for text in spellings(phrase)]
        assert score == pytest.approx(max(each), abs=1.0)


def alone(network: MoonshineNetwork, sound: Samples, text: str, ends: list[int]) -> float:
    heard, beams = network.listen(sound)
    score = 0.0
    for piece in network.pieces.encode(text):
        score += float(beams.logs[0, piece])
        beams = network.add(heard, beams, [0], [piece])
    assert END in ends
    return score + float(np.logaddexp.reduce(beams.logs[0, ends]))


@needs_moonshine
def test_the_same_sound_gives_the_same_scores_whatever_was_heard_before(scorer: MoonshineScorer) -> None:
    sound = reader(1.0, 3.0)
    first = scorer.rank(sound)
    scorer.rank(reader(1.5, 7.0))
    assert np.array_equal(first.scores, scorer.rank(sound).scores)


@needs_moonshine
def test_silence_noise_and_next_to_nothing_are_no_command(scorer: MoonshineScorer) -> None:
    live = [command.name for command in ENGLISH.commands]
    rules = scorer.prepare(ENGLISH)
    for sound in (np.zeros(RATE_HZ, np.float32), np.zeros(10, np.float32), *noises()):
        ranked, _ = scorer.score(sound, live)
        assert all(found.score < rules.floor(found.command) for found in ranked)
    assert (scorer.rank(np.zeros(10, np.float32)).scores == LEAST).all()


@needs_moonshine
def test_a_grammar_of_another_language_is_refused_in_one_line(scorer: MoonshineScorer) -> None:
    korean = Grammar("ko", "ko", "1", ENGLISH.commands, (), ENGLISH.floors, (), "ko.yaml")
    with pytest.raises(EngineError, match=r"ko\.yaml: moonshine does not know the language 'ko'"):
        scorer.prepare(korean)


@needs_moonshine
@pytest.mark.parametrize(
    ("name", "change", "why"),
    [
        ("decoder_model_merged.ort", "cut", "damaged, or not of version"),
        ("tokenizer.bin", "gone", "has no tokenizer.bin: it is not version"),
    ],
)
def test_a_damaged_wheel_is_reported_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, change: str, why: str
) -> None:
    for file in moonshine_network.FILES:
        (tmp_path / file).symlink_to(folder() / file)
    (tmp_path / name).unlink()
    if change == "cut":
        shutil.copy(folder() / name, tmp_path / name)
        with (tmp_path / name).open("r+b") as data:
            data.truncate(1_000_000)
    monkeypatch.setattr(moonshine_network, "folder", lambda: tmp_path)
    with pytest.raises(EngineError, match=why) as error:
        MoonshineNetwork()
    assert "\n" not in error.value.line()
    assert "pip install" in error.value.line()
