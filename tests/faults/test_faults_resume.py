"""Rule 21: which session is continued, and that it continues with what its record says, whatever is asked for now."""

from __future__ import annotations

import dataclasses
import io
import json
import time
from pathlib import Path
from typing import Any

import faults_driver
import pytest
from faults_driver import WordEar, cut_off, driver
from rich.console import Console

from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import AudioError, EngineError, RecordError
from voicecoach.listen.worker import Spec
from voicecoach.record import manifest
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import read
from voicecoach.runtime import app, edges, library, options, resume
from voicecoach.runtime import open_sessions as sessions
from voicecoach.runtime.edges import Edges
from voicecoach.session.table import OVER
from voicecoach.speak.silent import SilentVoice


def write_record(folder: Path, session: Any, ear: str = "typed", **known: Any) -> None:
    """Write a session's record."""
    copies = {
        "protocol.yaml": library.load_protocol("short-practice")[1].encode(),
        "grammar.yaml": (driver.ROOT / "grammars/en.yaml").read_bytes(),
    }
    journal = Journal.create(folder, Manifest(ear, session.mode, "none", "short-practice 1", "en 1", **known), copies)
    faults_driver.write_record(journal, session, ear)
    journal.close()


def for_two(folder: Path, **known: Any) -> resume.OpenSession:
    """A session for two with a microphone each that was cut off while something was worn."""
    session = driver.Session(driver.setup(), "pair", independent=True)
    session.go_to("practice-look")
    write_record(folder / "session", session, "phonemes", **known)
    found = sessions.find_whole(folder)
    assert found is not None
    return found


def test_a_session_killed_between_its_end_and_the_line_of_it_does_not_hide_an_older_one(tmp_path: Path) -> None:
    cut_off(tmp_path / "older")
    time.sleep(0.01)  # when it began is recorded to the millisecond
    session = driver.Session(driver.setup())
    session.go_to_end()
    assert session.state.status in OVER
    write_record(tmp_path / "newer", session)
    time.sleep(0.01)
    write_record(tmp_path / "newest-nothing-worn", driver.Session(driver.setup()))
    found = sessions.find_whole(tmp_path)
    assert found is not None
    assert found.folder.name == "older"


def test_who_is_there_and_how_they_are_heard_comes_from_the_record(tmp_path: Path) -> None:
    found = for_two(tmp_path, channels=2, model="/models/one")
    now = options.Options("n95-gown", pair=False, channels=1, model="/models/other", script="-", microphone="7")
    goes_on = options.recorded_options(now, found.session, found.state)
    assert (goes_on.pair, goes_on.channels, goes_on.model) == (True, 2, "/models/one")
    assert (goes_on.script, goes_on.microphone) == ("", "7")


def test_an_older_record_that_does_not_say_how_is_continued_as_asked_for_now(tmp_path: Path) -> None:
    found = for_two(tmp_path)
    path = found.folder / manifest.FILE
    data = json.loads(path.read_text())
    del data["channels"], data["model"]
    session = dataclasses.replace(found.session, manifest=manifest.from_bytes(json.dumps(data).encode(), "old"))
    now = options.Options("short-practice", channels=2, model="/models/one")
    goes_on = options.recorded_options(now, session, found.state)
    assert (goes_on.pair, goes_on.channels, goes_on.model) == (True, 2, "/models/one")


@pytest.mark.parametrize("wrong", [{"channels": "2"}, {"model": 3}])
def test_a_manifest_that_says_nonsense_about_it_is_reported_in_one_line(wrong: dict[str, Any]) -> None:
    raw = Manifest("typed", "pair", "none", "short-practice 1", "en 1", **wrong).to_bytes()
    with pytest.raises(RecordError, match=next(iter(wrong))):
        manifest.from_bytes(raw, "manifest.json")


class Cards:
    """In place of LiveLine: a card that can be opened with so many microphone channels, or with none."""

    most = 1

    def __new__(cls, *, channels: int, start: int, must: bool = True, **_: Any) -> Any:
        line = QuietLine(live=True, channels=channels, start=start)
        line.lost = channels > cls.most  # type: ignore[attr-defined]
        if line.lost and must:  # type: ignore[attr-defined]
            raise AudioError("cannot be opened", where="sound card")
        return line


@pytest.mark.parametrize(("most", "channels", "shared"), [(2, 2, False), (1, 1, True), (0, 2, False)])
def test_with_one_microphone_left_of_two_it_continues_and_nobody_is_taken_for_the_wearer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int, channels: int, shared: bool
) -> None:
    asked: list[Spec] = []

    def no_ear(spec: Spec, **_: Any) -> Any:
        asked.append(spec)
        raise EngineError("stops here")

    monkeypatch.setattr(Cards, "most", most)
    monkeypatch.setattr(edges, "LiveLine", Cards)
    monkeypatch.setattr(edges, "RecogniserProcess", no_ear)
    begun: list[Any] = []
    monkeypatch.setattr(app._Running, "start", lambda _self, first: begun.append(first) or 0)
    found = for_two(tmp_path, channels=2)
    runner = app.Runner(options.Options("short-practice", out=tmp_path), Console(file=io.StringIO()))
    assert runner.run() == 0
    assert begun[0].shared is shared
    assert asked[0].roles == (((0, "wearer"), (1, "observer")) if channels == 2 else ((0, "unknown"),))
    assert runner.coach is not None
    assert runner.coach.line.channels == channels
    runner.coach.parts.journal.close()
    assert found.state.independent


@pytest.mark.parametrize(("channels", "independent"), [(1, False), (2, True)])
def test_two_people_on_one_microphone_are_not_told_apart_although_there_are_keys(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, channels: int, independent: bool
) -> None:
    begun: list[Any] = []
    monkeypatch.setattr(Cards, "most", channels)
    monkeypatch.setattr(edges, "LiveLine", Cards)
    monkeypatch.setattr(app, "Voice", SilentVoice)
    monkeypatch.setattr(app.Runner, "_check_in_background", lambda *_: None)
    monkeypatch.setattr(Edges, "recogniser", lambda *_: WordEar())
    monkeypatch.setattr(app._Running, "start", lambda _self, first: begun.append(first) or 0)
    goes_on = options.Options("short-practice", pair=True, engine="phonemes", out=tmp_path, channels=channels)
    runner = app.Runner(goes_on, Console(file=io.StringIO()), io.StringIO())
    assert runner.run() == 0
    assert begun[0].independent is independent
    assert runner.coach is not None
    runner.coach.parts.journal.close()
    (folder,) = tmp_path.glob("[!.]*")
    made_with = read(folder).manifest
    assert (made_with.mode, made_with.channels, made_with.model) == ("pair", channels, "")
