"""An encrypted record: read by its key alone, verified by anybody, and a wrong key is distinguished from damage."""

import wave
from pathlib import Path

import numpy as np
import pytest
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from damages import COPIES, leave
from typer.testing import CliRunner

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.cli.main import main
from voicecoach.errors import InputError, RecordError
from voicecoach.record.box import new_key, read_key
from voicecoach.record.clips import ClipKeeper, Setting
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import find_open, read
from voicecoach.record.sound import read_sound
from voicecoach.record.verify import verify
from voicecoach.session.effects import Close, Note, Say
from voicecoach.session.events import Heard, Reopened

KEY = bytes(range(32))


def begin(folder: Path, made_with: Manifest) -> Journal:
    journal = Journal.create(folder, made_with, COPIES, key=KEY, patience_s=30)
    heard = Heard(16_000, "breach", phrase="oh no, breach")
    note = Note("ledger", (("on", "gown"), ("hands", "clean")))
    journal.write_effects(journal.write(heard).seq, (Say(1, "Hands away."), note))
    return journal


@pytest.fixture
def folder(tmp_path: Path, made_with: Manifest) -> Path:
    journal = begin(tmp_path / "s", made_with)
    journal.write_effects(journal.write(Heard(17_000, "yes")).seq, (Close("done"),))
    journal.close()
    return tmp_path / "s"


def test_the_key_reads_what_was_written_and_nobody_else_sees_a_word(folder: Path) -> None:
    session = read(folder, KEY)
    assert (session.broken_at, session.closed) == (None, True)
    assert session.events[0] == Heard(16_000, "breach", phrase="oh no, breach")
    assert [data["text"] for data in session.effects[1] if data["effect"] == "say"] == ["Hands away."]
    raw = (folder / FILE).read_bytes()
    for word in (b"breach", b"Hands", b"heard", b"effect", b"16000"):
        assert word not in raw


def test_it_is_verified_without_the_key(folder: Path) -> None:
    found = verify(folder)
    assert (found.state, found.findings) == ("whole", ())
    assert found.code() is not None


def test_a_wrong_key_a_missing_key_and_damage_are_told_apart(folder: Path) -> None:
    with pytest.raises(RecordError, match=r"is encrypted .*--key"):
        read(folder)
    with pytest.raises(RecordError, match="is encrypted with another key"):
        read(folder, bytes(32))
    raw = bytearray((folder / FILE).read_bytes())
    raw[200] ^= 1
    (folder / FILE).write_bytes(raw)
    assert read(folder, KEY).broken_at == 1
    assert verify(folder).findings[0][:2] == (FILE, 1)


def test_a_line_of_another_record_of_the_same_key_cannot_be_opened_here(
    folder: Path, tmp_path: Path, made_with: Manifest
) -> None:
    begin(tmp_path / "other", made_with).close()
    other = (tmp_path / "other" / FILE).read_bytes().splitlines(keepends=True)
    mine = (folder / FILE).read_bytes().splitlines(keepends=True)
    (folder / FILE).write_bytes(b"".join([other[0], *mine[1:]]))
    session = read(folder, KEY)
    assert session.broken_at == 1
    assert session.events == (Heard(17_000, "yes"),)


def test_a_killed_session_is_continued(tmp_path: Path, made_with: Manifest) -> None:
    folder = tmp_path / "s"
    leave(begin(folder, made_with))
    assert list(find_open(tmp_path)) == [folder]
    with pytest.raises(RecordError, match="another key"):
        Journal.open_existing(folder, key=bytes(32))
    journal = Journal.open_existing(folder, key=KEY)
    journal.write(Reopened(20_000, 1.0, "killed"))
    journal.write_effects(journal.write(Heard(21_000, "yes")).seq, (Close("done"),))
    journal.close()
    assert verify(folder).state == "whole"
    assert len(read(folder, KEY).events) == 3
    assert list(find_open(tmp_path)) == []


@pytest.mark.parametrize("setting", ["clips", "full"])
def test_sound_is_in_boxes_too(tmp_path: Path, made_with: Manifest, setting: Setting) -> None:
    folder = tmp_path / "s"
    journal = begin(folder, made_with)
    keeper = ClipKeeper(
        folder / "audio", setting, on_written=journal.sound, on_deleted=journal.sound_gone, box=journal.box
    )
    heard = np.linspace(-0.5, 0.5, 3 * RATE_HZ, dtype=np.float32)[:, None]
    for at in range(0, len(heard), 8_000):
        keeper.feed(Block(at, heard[at : at + 8_000], np.zeros(8_000, np.float32)))
    keeper.utterance(10_000, 20_000)
    keeper.close(30)
    journal.close()
    (path,) = (folder / "audio").iterdir()
    assert path.name.endswith(".wav.box")
    assert verify(folder).findings == ()
    plain = read_sound(folder, path.name, read(folder, KEY).box)
    (tmp_path / "out.wav").write_bytes(plain)
    with wave.open(str(tmp_path / "out.wav")) as file:
        got = np.frombuffer(file.readframes(file.getnframes()), "<i2")
    want = (heard[:, 0] * 32767).astype("<i2")
    assert np.array_equal(got, want if setting == "full" else want[2_000:28_000])
    assert got.tobytes()[:400] not in path.read_bytes()
    with pytest.raises(RecordError, match="is encrypted"):
        read_sound(folder, path.name)
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(RecordError, match="is damaged"):
        read_sound(folder, path.name, read(folder, KEY).box)


def test_a_key_file_is_its_owners_only_and_anything_else_is_refused_in_a_line(tmp_path: Path) -> None:
    new_key(tmp_path / "key")
    assert (tmp_path / "key").stat().st_mode & 0o777 == 0o600
    assert len(read_key(tmp_path / "key") or b"") == 32
    with pytest.raises(InputError, match="already exists"):
        new_key(tmp_path / "key")
    for text in ("", "voicecoach-key-1 12", "voicecoach-key-1 " + "x" * 64, "\xff"):
        (tmp_path / "bad").write_text(text)
        with pytest.raises(InputError, match="is not a key"):
            read_key(tmp_path / "bad")
    with pytest.raises(InputError):
        read_key(tmp_path / "nowhere")


def test_a_session_is_recorded_and_shown_with_a_key(tmp_path: Path) -> None:
    def call(*arguments: object) -> tuple[int, str]:
        done = CliRunner().invoke(main, [str(argument) for argument in arguments])
        return done.exit_code, done.output

    (tmp_path / "script.txt").write_text("+1 wearer: practice run\n+1 wearer: yes\n")
    assert call("new-key", tmp_path / "key")[0] == 0
    status, _ = call(
        "run", "short-practice", "--typed", tmp_path / "script.txt", "--out", tmp_path / "r", "--key", tmp_path / "key"
    )
    assert status == 0
    (folder,) = (tmp_path / "r").glob("[!.]*")
    status, output = call("timeline", folder)
    assert (status, "--key FILE" in output) == (2, True)
    status, output = call("timeline", folder, "--key", tmp_path / "key")
    assert status == 3  # its end is not in the script
    assert "“practice run”" in output or "practice run" in output
    assert call("verify", folder)[0] == 3


def test_the_cipher_is_the_published_one() -> None:
    # RFC 8439, section 2.8.2, as published; typed from memory
    key = bytes(range(0x80, 0xA0))
    nonce = bytes.fromhex("070000004041424344454647")
    plain = (
        b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, "
        b"sunscreen would be it."
    )
    about = bytes.fromhex("50515253c0c1c2c3c4c5c6c7")
    sealed = ChaCha20Poly1305(key).encrypt(nonce, plain, about)
    assert sealed[:16].hex() == "d31a8d34648e60db7b86afbc53ef7ec2"
    assert sealed[-16:].hex() == "1ae10b594f09e26a7e902ecbd0600691"
