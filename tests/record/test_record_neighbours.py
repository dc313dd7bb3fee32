"""Whatever lies in the folder of the records: a remark or a line, never a traceback, never a wait."""

import json
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from damages import make
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.errors import InputError, RecordError
from voicecoach.protocol import site
from voicecoach.record import manifest
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import find_open, parse, read
from voicecoach.record.verify import verify
from voicecoach.record.worn import last_known_worn, lost_folders
from voicecoach.session.effects import Say
from voicecoach.session.events import Heard


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("open") / "s", finished=False, steps=8)


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole.parent, tmp_path / "records")
    return tmp_path / "records" / "s"


def fifo(path: Path) -> None:
    os.mkfifo(path)


def link_to_zero(path: Path) -> None:
    path.symlink_to("/dev/zero")


def link_to_itself(path: Path) -> None:
    path.symlink_to(path)


def directory(path: Path) -> None:
    path.mkdir()


def bomb(path: Path) -> None:
    path.write_bytes(b"[" * 200_000 + b"\n")


def bomb_of_mappings(path: Path) -> None:
    path.write_bytes(b'{"format":' * 900 + b"1" + b"}" * 900)


def huge_line(path: Path) -> None:
    path.write_bytes(b'{"seq":1,"line":"' + b"x" * 3_000_000 + b'"}\n')


def digits(path: Path) -> None:
    path.write_bytes(b'{"seq":' + b"9" * 100_000 + b"}\n")


BAD = [fifo, link_to_zero, link_to_itself, directory, bomb, bomb_of_mappings, huge_line, digits]


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize("name", ["manifest.json", FILE, "worn.json", "protocol.yaml", "lock"])
def test_a_bad_neighbour_is_skipped_and_named(folder: Path, name: str, bad: Callable[[Path], None]) -> None:
    other = folder.parent / "z-good"
    shutil.copytree(folder, other)
    (folder / name).unlink()
    bad(folder / name)
    assert other in list(find_open(folder.parent))
    list(lost_folders(folder.parent))
    last_known_worn(folder)
    found = verify(folder)
    if name != "lock":
        assert found.findings[0].file == name
    for command in ("verify", "timeline", "report", "replay"):
        done = CliRunner().invoke(main, [command, str(folder)])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        allowed = {1} if name != "lock" and command != "replay" else {1, 2, 3}  # 2: its protocol is none
        assert done.exit_code in allowed, (command, done.output)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("roles", [1, 2]), ("roles", "wearer"), ("versions", ["a"]), ("copies", {"a": 1}), ("channels", "2"),
        ("format", True), ("format", 2.0), ("format", [[]]), ("engine", None), ("begun", 5), ("public", {}),
    ],
)  # fmt: skip
def test_a_wrong_type_in_a_manifest_is_one_line(folder: Path, field: str, value: Any) -> None:
    data = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps(data | {field: value}))
    with pytest.raises(RecordError) as caught:
        read(folder)
    assert "\n" not in str(caught.value)
    assert field in str(caught.value)
    assert list(find_open(folder.parent)) == []
    assert verify(folder).findings[0].file == "manifest.json"
    for command in (["timeline"], ["report"], ["replay"], ["export", "--as", "json"], ["deidentify"]):
        target = [str(folder.parent / "new")] if command[0] in {"export", "deidentify"} else []
        done = CliRunner().invoke(main, [*command, str(folder), *target])
        assert done.exit_code in {1, 2}, done.output
        last = done.stderr.splitlines()[-1]
        assert field in last
        assert "unexpected error" not in done.stderr


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
ordinary = json.loads(Manifest("typed", "solo", "none", "p", "g").to_bytes())


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from(sorted(ordinary)), json_values, max_size=3))
def test_a_manifest_of_any_json_is_read_or_refused(changes: dict[str, Any]) -> None:
    try:
        made_with = manifest.from_bytes(json.dumps(ordinary | changes).encode(), "manifest.json")
    except RecordError:
        return
    assert made_with.to_bytes()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.dictionaries(st.sampled_from(["seq", "line", "of", "at", "event", "effect", "wall", "box"]),
                                json_values | st.sampled_from(["event", "effect", "heard", "note", "seal", "box"])),
                max_size=4))  # fmt: skip
def test_lines_of_any_json_are_read_or_skipped(lines: list[dict[str, Any]]) -> None:
    raw = b"".join(json.dumps(line).encode() + b"\n" for line in lines)
    found, broken_at, _ = parse(raw, "0" * 64)
    assert broken_at == (1 if lines else None)
    assert all(line.at >= 0 for line in found)


def test_escape_sequences_from_a_record_never_reach_the_terminal(record: Callable[..., Any], tmp_path: Path) -> None:
    evil = "\x1b]0;owned\x07\x1b[2J\u202e[red]x"
    session = record([(Heard(5, None, evil, role=evil), (Say(1, evil),))])  # type: ignore[arg-type]
    (session.folder / "\x1b[31mred").write_text("")
    for command in ("timeline", "report", "verify", "replay"):
        done = CliRunner().invoke(main, [command, str(session.folder)])
        assert not set(done.output) & {"\x1b", "\x07", "\u202e"}, command


def test_a_day_that_no_calendar_has_is_refused_and_one_that_it_has_is_taken() -> None:
    for text in ("2026-99-99", "2026-02-29", "2026-00-01", "2026-1-1", "yesterday", "20260101"):
        with pytest.raises(InputError, match=r"approved: .*is not a date"):
            site.load(f"name: Ward\napproved: {text}\n", "site.yaml")
    for text in ("2026-05-04", "2024-02-29", "2000-02-29"):
        assert site.load(f"name: Ward\napproved: {text}\n", "site.yaml").approved == text


def test_a_word_of_a_million_characters_is_refused() -> None:
    with pytest.raises(InputError, match="has a word of 900,000 characters; expected at most 300"):
        site.load(f"name: Ward {'x' * 900_000}\n", "site.yaml")
    long = "x" * random.Random(1).choice((299, 300))  # noqa: S311
    assert site.load(f"name: Ward {long}\n", "site.yaml").name == f"Ward {long}"
