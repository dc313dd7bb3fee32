"""Records that are damaged, foreign or hostile: named, escaped, nothing executed, nothing lost."""

import csv
import io
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import jsonschema
import pytest
import webvtt
from fhirclient.models.bundle import Bundle
from simulated import Plan, run
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.debrief import report
from voicecoach.debrief.contents import debrief
from voicecoach.debrief.drawing import picture
from voicecoach.debrief.exports.fhir import to_fhir
from voicecoach.debrief.exports.plain import schema, to_json
from voicecoach.debrief.exports.spreadsheet import to_csv
from voicecoach.debrief.exports.webvtt import to_webvtt
from voicecoach.debrief.moments import moments
from voicecoach.debrief.review.page import html, review
from voicecoach.debrief.review.store import Store
from voicecoach.record import lines
from voicecoach.record.manifest import digest
from voicecoach.record.read import Session, read

HOSTILE = {
    "html": "<script>alert(1)</script><img src=x onerror=alert(2)>",
    "formula": '=HYPERLINK("http://example.invalid","x")',
    "escape": "\x1b[31mred\x1b[0m\x07",
    "turned": "\u202eabc\u2066def",
    "arrow": "a --> b\n\nWEBVTT",
    "half": "half \ud83d",
    "quote": "'\"; DROP TABLE sessions; --",
}


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return run(Plan(protocol="short-practice", slips=0.1, seed=3, sound=True), tmp_path_factory.mktemp("bad") / "s")


@pytest.fixture
def folder(good: Path) -> Iterator[Path]:
    """A copy that may be spoilt; outside the tests' own folder, whose sessions are all replayed in the end."""
    with tempfile.TemporaryDirectory() as temp:
        shutil.copytree(good, Path(temp) / "s")
        yield Path(temp) / "s"


def rewritten(folder: Path, change: Callable[[dict[str, object]], None]) -> Session:
    """The record with its lines changed and the chain rebuilt, as somebody could write one."""
    manifest = (folder / "manifest.json").read_bytes()
    chain, raw = lines.first_chain(manifest), b""
    for text in (folder / "events.jsonl").read_bytes().splitlines():
        data = {key: value for key, value in json.loads(text).items() if key not in {"chain", "signature"}}
        change(data)
        sealed, chain = lines.seal(chain, data)
        raw += sealed
    (folder / "events.jsonl").write_bytes(raw)
    return read(folder)


def fill(evil: str) -> Callable[[dict[str, object]], None]:
    """Puts a text wherever people's words, or the site's, may stand."""

    def change(data: dict[str, object]) -> None:
        for key in ("text", "phrase", "why"):
            if key in data:
                data[key] = evil
        if data.get("effect") == "note":
            data["details"] = [
                [key, evil if key not in {"step", "stage", "branch"} else value] for key, value in data["details"]
            ]  # type: ignore[attr-defined]

    return change


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        self.scripts += tag == "script"
        assert not any(name.startswith("on") for name, _ in attrs), attrs


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_words_stay_words_in_every_form(folder: Path, name: str) -> None:
    evil = HOSTILE[name]
    session = rewritten(folder, fill(evil))
    page = report.page(session).html
    tags = Tags()
    tags.feed(page)
    assert tags.scripts == 2  # the sounds, and the page's own
    assert "img" not in tags.seen
    for made in (page, report.text(session), picture(session), to_webvtt(session)):
        assert "\x1b" not in made
        assert "\u202e" not in made
        made.encode()
    ET.fromstring(picture(session))  # noqa: S314  we made it
    for row in csv.reader(io.StringIO(to_csv(session))):
        assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row), row
    jsonschema.validate(json.loads(to_json(session)), json.loads(schema()))
    Bundle(json.loads(to_fhir(session)), strict=True)
    cues = list(webvtt.from_buffer(io.StringIO(to_webvtt(session))))
    assert len(cues) == json.loads(to_json(session))["said"].__len__()
    if name == "html":
        assert "<script>alert(1)</script>" in unescape(page)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_words_in_a_review_stay_words(folder: Path, name: str) -> None:
    manifest = folder / "manifest.json"
    data = json.loads(manifest.read_text(encoding="utf-8"))
    evil = HOSTILE[name].encode("utf-8", "replace").decode()
    data |= {"room": evil, "people": {"wearer": evil}, "protocol": evil}
    manifest.write_text(json.dumps(data), encoding="utf-8")
    with Store() as store:
        store.update([folder])
        assert [row["wearer"] for row in store.rows("SELECT wearer FROM sessions")] == [evil]
        from datetime import date  # noqa: PLC0415

        page = html(review(store, date(2026, 5, 1), 30))
    tags = Tags()
    tags.feed(page)
    assert tags.scripts == 0
    assert "\x1b" not in page
    assert "\u202e" not in page


def test_an_older_record_is_read_and_says_what_it_does_not_know(folder: Path) -> None:
    manifest = folder / "manifest.json"
    data = json.loads(manifest.read_text(encoding="utf-8"))
    for key in ("people", "room", "public", "channels", "model"):
        data.pop(key)
    data["format"] = 1
    manifest.write_text(json.dumps(data), encoding="utf-8")
    result = report.text(read(folder))
    assert "wearer without a code" in result
    assert "room not given" in result


def test_a_newer_record_is_reported_as_what_it_is(folder: Path) -> None:
    manifest = folder / "manifest.json"
    manifest.write_text(manifest.read_text().replace('"format": 2', '"format": 3'))
    done = CliRunner().invoke(main, ["report", str(folder)])
    assert done.exit_code != 0
    assert "has format" in done.output
    assert "Traceback" not in done.output


def put_copy(folder: Path, name: str, text: str) -> None:
    """Another copy in a record, with the manifest made to fit."""
    (folder / name).write_text(text, encoding="utf-8")
    manifest = folder / "manifest.json"
    data = json.loads(manifest.read_text(encoding="utf-8"))
    data["copies"][name] = digest((folder / name).read_bytes())
    manifest.write_text(json.dumps(data), encoding="utf-8")


def test_a_protocol_of_a_form_that_is_not_known_still_gives_a_debrief(folder: Path) -> None:
    put_copy(folder, "protocol.yaml", "protocol: from-the-future\nsomething: else\n")
    result = debrief(read(folder))
    assert any("shown by their names in the record" in warning for warning in result.warnings)
    assert result.words.step("practice-gown-on") == "Practice gown on"
    assert len(result.steps) > 5


def test_a_record_in_another_language_is_shown_in_it(folder: Path) -> None:
    session = rewritten(folder, fill("Zieh den Kittel an. Schutzhülle über den Ärmel! שלום"))
    page = report.page(session).html
    assert "Schutzhülle über den Ärmel" in page
    assert "שלום" in page
    assert "<bdi>" in page


def test_a_clock_that_jumps_loses_nothing(folder: Path) -> None:
    shift = {"n": 0}

    def jump(data: dict[str, object]) -> None:
        shift["n"] += 1
        if shift["n"] % 40 == 0:
            data["wall"] = "1970-01-01T00:00:00.000Z"
        if shift["n"] == 200 and data.get("line") == "event":
            data["at"] = (1 << 53) - 1

    before = len(debrief(read(folder)).steps)
    session = rewritten(folder, jump)
    assert len(debrief(session).steps) >= before - 1
    assert report.page(session).html
    with Store() as store:
        store.update([folder])
        assert len(store.rows("SELECT * FROM sessions")) == 1


def test_a_session_without_a_start_time_is_reported_and_reviewed(folder: Path) -> None:
    manifest = folder / "manifest.json"
    data = json.loads(manifest.read_text(encoding="utf-8"))
    data["begun"] = "yesterday"
    manifest.write_text(json.dumps(data), encoding="utf-8")
    assert "yesterday" in report.text(read(folder))
    with Store() as store:
        store.update([folder])
        (row,) = store.rows("SELECT begun, wearer FROM sessions")
    assert row == {"begun": None, "wearer": "W01"}
    done = CliRunner().invoke(main, ["export", str(folder), str(folder.parent / "x.fhir.json")])
    assert done.exit_code == 2
    assert "does not say when it was made" in done.output


def test_a_link_among_the_sounds_is_never_followed(folder: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.wav"
    clip = next((folder / "audio").glob("clip-*.wav"))
    shutil.move(clip, secret)
    clip.symlink_to(secret)
    names = {moment.name for moment in moments(read(folder))}
    assert clip.name not in names
    assert names
    shutil.move(folder / "audio", tmp_path / "elsewhere")
    (folder / "audio").symlink_to(tmp_path / "elsewhere")
    assert moments(read(folder)) == ()


def test_sound_that_cannot_be_read_is_counted_and_the_rest_plays(folder: Path) -> None:
    clips = sorted((folder / "audio").glob("clip-*.wav"))
    clips[0].write_bytes(b"RIFF" + bytes(20))
    clips[1].write_bytes(b"")
    made = report.page(read(folder)).html
    assert "2 of the kept sounds cannot be read" in made
    assert "data:audio/wav;base64," in made


def test_a_half_copied_folder_is_reported_and_left_as_it_is(folder: Path) -> None:
    (folder / "events.jsonl").unlink()
    before = sorted((path, path.read_bytes()) for path in folder.rglob("*") if path.is_file())
    for command in ("report", "replay", "timeline"):
        done = CliRunner().invoke(main, [command, str(folder)])
        assert done.exit_code != 0, done.output
        assert "events.jsonl: is missing" in done.output
        assert "Traceback" not in done.output
    assert sorted((path, path.read_bytes()) for path in folder.rglob("*") if path.is_file()) == before


def test_a_grammar_of_a_form_that_is_not_known_takes_no_words_from_the_debrief(folder: Path) -> None:
    put_copy(folder, "grammar.yaml", "grammar: from-the-future\n")
    result = debrief(read(folder))
    assert not any("shown by their names" in warning for warning in result.warnings)
    assert "practice-gown-on" in result.words.steps
