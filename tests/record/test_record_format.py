"""The published form of a record: test vectors, standards, and a second reader that shares nothing with the package."""

import dataclasses
import random
import re
import shutil
from pathlib import Path

import independent
import pytest
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from damages import make, spoil

from voicecoach.cli import topics
from voicecoach.grammar import Grammar
from voicecoach.record import box, lines, sealing
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import read
from voicecoach.record.verify import verify
from voicecoach.runtime import library
from voicecoach.session.effects import EFFECTS
from voicecoach.session.events import EVENTS, Heard


def page() -> str:
    words: Grammar = library.load_grammar("en")[0]
    return topics.page("record-format", words)


VECTORS = dict(re.findall(r"^    ([a-z]+(?: \d)?) {2,}(\S.*)$", page().split("## Test vectors")[1], re.MULTILINE))

# RFC 8032, section 7.1: seed, public key, message, signature; typed from memory
ED25519 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155 "
            "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da "
            "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
]


@pytest.mark.parametrize(("seed", "public", "message", "signature"), ED25519)
def test_signatures_are_those_of_rfc_8032(seed: str, public: str, message: str, signature: str) -> None:
    assert independent.public_of(bytes.fromhex(seed)).hex() == public
    assert independent.sign(bytes.fromhex(seed), bytes.fromhex(message)) == bytes.fromhex(signature)
    assert sealing.holds(public, bytes.fromhex(message), signature)
    assert not sealing.holds(public, bytes.fromhex(message) + b"x", signature)
    assert independent.signature_holds(bytes.fromhex(public), bytes.fromhex(message), bytes.fromhex(signature))
    assert not sealing.holds("no key", b"", "no signature")


def test_keys_are_derived_as_in_rfc_5869() -> None:
    # RFC 5869, appendix A.1, the first 32 bytes of the output; typed from memory
    secret, salt = b"\x0b" * 22, bytes(range(13))
    info = bytes.fromhex("f0f1f2f3f4f5f6f7f8f9")
    wanted = "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf"
    assert sealing.derive(secret, info, salt).hex() == wanted
    assert independent.hkdf(secret, info, salt).hex() == wanted


def test_the_second_reader_opens_what_the_library_has_shut() -> None:
    key, nonce = bytes(range(32)), bytes(12)
    sealed = nonce + ChaCha20Poly1305(key).encrypt(nonce, b"x" * 100, b"line 7")
    assert independent.opened(key, sealed, b"line 7") == b"x" * 100
    assert independent.opened(key, sealed, b"line 8") is None


def test_the_test_vectors_are_what_the_program_makes() -> None:
    sealer, manifest = sealing.Sealer(bytes(range(32))), b'{"format":2}\n'
    assert VECTORS["seed 0"] == sealing.derive(sealer.state, sealing.INFO_SIGN).hex()
    assert (VECTORS["public 0"], VECTORS["public 1"]) == (sealer.public(), sealer.public_after())
    chain = lines.first_chain(manifest)
    assert VECTORS["chain 0"] == chain
    for number in (1, 2, 3):
        data = lines.from_bytes(VECTORS[f"line {number}"].encode())
        assert data is not None
        del data["chain"]
        sign = sealer.sign if data.pop("signature", None) is not None else None
        raw, chain = lines.seal(chain, data, sign)
        assert raw.decode() == VECTORS[f"line {number}"] + "\n"
        if number == 2:
            assert VECTORS["state 1"] == sealer.state.hex()
    assert VECTORS["code"] == sealing.code(chain)
    assert box.Box(bytes(range(32)), bytes(16)).check in page()


def test_the_second_reader_reads_the_test_vectors(tmp_path: Path) -> None:
    (tmp_path / "audio").mkdir()
    manifest = b'{"format":2}\n'
    raw = "".join(VECTORS[f"line {number}"] + "\n" for number in (1, 2, 3))
    (tmp_path / "events.jsonl").write_text(raw)
    (tmp_path / "manifest.json").write_bytes(manifest)
    assert independent.sha(tmp_path / "manifest.json") == VECTORS["chain 0"]
    assert independent.code(tmp_path) == VECTORS["code"]
    seed = independent.hkdf(bytes(range(32)), b"voicecoach 1 sign")
    assert seed.hex() == VECTORS["seed 0"]
    assert independent.public_of(seed).hex() == VECTORS["public 0"]
    assert independent.hkdf(bytes(range(32)), b"voicecoach 1 next").hex() == VECTORS["state 1"]


def test_the_second_reader_finds_a_finished_record_whole_and_its_code(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=True)
    assert independent.look(folder) == []
    assert independent.code(folder) == verify(folder).code()
    assert independent.look(make(tmp_path / "open", finished=False))[-1] == "no end mark"


@pytest.mark.parametrize("seed", range(12))
def test_both_readers_see_the_same_damage(tmp_path: Path, seed: int) -> None:
    folder = make(tmp_path / "s", finished=True, steps=8)
    shutil.rmtree(tmp_path / ".beside")
    _, name = spoil(folder, random.Random(seed))  # noqa: S311  the same damages each time
    assert verify(folder).state == "damaged"
    if name == "worn.json":  # a witness, which the second reader does not ask
        return
    try:
        wrong = independent.look(folder)
    except (ValueError, KeyError, OSError):
        wrong = ["cannot be read"]
    assert wrong


def test_the_second_reader_opens_an_encrypted_record_with_its_key(tmp_path: Path, made_with: Manifest) -> None:
    key = bytes(range(32))
    journal = Journal.create(tmp_path / "s", made_with, {}, key=key, patience_s=30)
    journal.write(Heard(16_000, "breach", phrase="oh no, breach"))
    journal.close()
    first, *_ = independent.in_boxes(tmp_path / "s", key)
    assert (first["event"], first["phrase"]) == ("heard", "oh no, breach")
    (event,) = read(tmp_path / "s", key).events
    assert event == Heard(16_000, "breach", phrase="oh no, breach")


def test_the_page_names_every_field_of_manifest_events_and_effects_and_every_kind_of_line() -> None:
    text = page()
    for field in dataclasses.fields(Manifest):
        assert f"`{field.name}`" in text
    for kind in (*EVENTS, *EFFECTS):
        assert f"| `{kind.kind}` |" in text
        for field in dataclasses.fields(kind):
            assert f"`{field.name}`" in text
    for name in ("event", "effect", "gap", "sound", "sound-gone", "torn", "seal", "key", "box"):
        assert f"\n| `{name}` |" in text
