"""Records in other programs' forms, each read back by a parser that is not ours."""

import csv
import io
import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import icalendar
import jsonschema
import pytest
import webvtt
from fhir.resources.R4B.bundle import Bundle as BundleR4B
from fhirclient.models.bundle import Bundle as BundleR4
from simulated import Plan, run
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.cli.record import machine_of
from voicecoach.debrief import timeline
from voicecoach.debrief.contents import debrief
from voicecoach.debrief.exports.deidentified import deidentify
from voicecoach.debrief.exports.fhir import to_fhir
from voicecoach.debrief.exports.icalendar import to_icalendar
from voicecoach.debrief.exports.plain import schema, to_json
from voicecoach.debrief.exports.webvtt import to_webvtt
from voicecoach.debrief.replay import compare
from voicecoach.debrief.story import recorded_notes
from voicecoach.debrief.stretches import BEFORE_S
from voicecoach.debrief.transcript import transcript
from voicecoach.errors import InputError, RecordError
from voicecoach.record.read import Session, read
from voicecoach.session.notes import NoteKind

SITE = """\
name: Ward 7 of Saint Nowhere
tell: Call the shift lead on 5571.
follow-up: Doctor Nobody calls you tomorrow.
approved: 2026-01-01
contact-times: {hand-rub: 4}
check-every-min: 30
follow-up-days: [21, 1]
"""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """A practice with a breach in it."""
    plan = Plan("W07", 2, "short-practice", 3, slips=0.0, room="R3", site=SITE, sound=True)
    plan = replace(plan, breach_at="practice-rub-hands")
    return read(run(plan, tmp_path_factory.mktemp("exports") / "session"))


def test_captions_are_read_by_a_parser_of_webvtt(session: Session) -> None:
    cues = list(webvtt.from_buffer(io.StringIO(to_webvtt(session))))
    rows = transcript(session, lambda _, __: ())
    assert len(cues) == len(rows)
    assert [cue.voice for cue in cues] == [row.who for row in rows]
    assert [" ".join(cue.text.split()) for cue in cues] == [row.text for row in rows]
    assert [cue.start_in_seconds for cue in cues] == [int(row.at_s) for row in rows] or all(
        abs(cue.start_in_seconds - row.at_s) <= 1 for cue, row in zip(cues, rows, strict=True)
    )


def test_follow_up_is_read_by_a_parser_of_icalendar(session: Session) -> None:
    text = to_icalendar(session)
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))  # RFC 5545, 3.1
    events = list(icalendar.Calendar.from_ical(text).walk("VEVENT"))
    (incident,) = debrief(session).incidents
    day = date.fromisoformat(session.manifest.begun[:10])
    assert [event["DTSTART"].dt for event in events] == [day + timedelta(days=1), day + timedelta(days=21)]
    assert [str(event["SUMMARY"]) for event in events] == ["Follow-up, day 1: W07", "Follow-up, day 21: W07"]
    assert incident.title in str(events[0]["DESCRIPTION"])
    assert len({str(event["UID"]) for event in events}) == 2


def test_there_is_no_calendar_unless_the_site_gives_days(tmp_path: Path) -> None:
    plan = Plan(protocol="short-practice", slips=0.0, site=SITE.replace("follow-up-days: [21, 1]\n", ""))
    with pytest.raises(InputError, match="gives no days for follow-up"):
        to_icalendar(read(run(plan, tmp_path / "s")))


def test_json_keeps_to_its_published_form(session: Session) -> None:
    form = json.loads(schema())
    jsonschema.Draft202012Validator.check_schema(form)
    for only in (False, True):
        data = json.loads(to_json(session, incidents_only=only))
        jsonschema.validate(data, form, jsonschema.Draft202012Validator)
        assert ("said" in data) is not only
    assert data["incidents"][0]["kind"] == "breach"


def test_fhir_is_taken_by_two_validators_and_says_what_happened(session: Session) -> None:
    data = json.loads(to_fhir(session))
    BundleR4(data, strict=True)  # R4, 4.0.1
    bundle = BundleR4B.model_validate(data)  # R4B: the same for Procedure and AuditEvent
    kinds = [entry.resource.get_resource_type() for entry in bundle.entry]
    assert kinds == ["Procedure", "AuditEvent", "AuditEvent", "AuditEvent"]
    procedure = bundle.entry[0].resource
    assert procedure.status == "completed"
    assert procedure.subject.identifier.value == "W07"
    assert "Breach called" in procedure.complication[0].text
    only = json.loads(to_fhir(session, incidents_only=True))
    assert [entry["resource"]["resourceType"] for entry in only["entry"]] == ["AuditEvent"]
    BundleR4(only, strict=True)


def test_a_bundle_without_any_incident_is_still_one(tmp_path: Path) -> None:
    quiet = read(run(Plan(protocol="short-practice", slips=0.0, seed=9), tmp_path / "s"))
    BundleR4(json.loads(to_fhir(quiet, incidents_only=True)), strict=True)


@pytest.mark.parametrize("name", ["a.csv", "a.json", "a.fhir.json", "a.vtt", "a.ics", "a.parquet"])
def test_incidents_only_goes_with_every_form(session: Session, tmp_path: Path, name: str) -> None:
    for only in ("", "--incidents-only"):
        place = tmp_path / f"{only}{name}"
        done = CliRunner().invoke(main, ["export", str(session.folder), str(place), *([only] if only else [])])
        assert done.exit_code == 0, done.output
    size, only_size = (
        sum(path.stat().st_size for path in (place.iterdir() if place.is_dir() else [place]))
        for place in (tmp_path / name, tmp_path / f"--incidents-only{name}")
    )
    assert only_size < size or name == "a.ics"  # a follow-up is for an incident


def test_what_is_shown_of_an_incident_begins_before_it_and_ends_with_the_way_back(session: Session) -> None:
    (incident,) = debrief(session).incidents
    shown = timeline.rows(session, incidents_only=True)
    whole = timeline.rows(session)
    assert 0 < len(shown) < len(whole) / 2
    inside = [row for row in whole if incident.at_s - BEFORE_S <= row.at_s <= incident.until_s]
    assert set(inside) <= set(shown)
    assert [row.text for row in shown if row.mark == "breach"] == [row.text for row in whole if row.mark == "breach"]
    # what was owed and done much later is there as well, and nothing else of that time
    later = [row for row in shown if row.at_s > incident.until_s]
    paid = {note.at_s for note in recorded_notes(session) if note.what == NoteKind.PAID}
    assert {row.at_s for row in later} == paid - {at_s for at_s in paid if at_s <= incident.until_s}


def test_the_timeline_of_incidents_only_is_shown_and_written(session: Session, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    done = CliRunner().invoke(main, ["timeline", str(session.folder), "--incidents-only", "--csv", str(table)])
    assert done.exit_code == 0, done.output
    assert "breach" in done.stdout
    assert "Stand before" not in done.stdout
    assert len(table.read_text().splitlines()) == len(timeline.rows(session, incidents_only=True)) + 1
    done = CliRunner().invoke(main, ["timeline", str(session.folder), "--incidents-only", "--svg", str(tmp_path / "s")])
    assert (done.exit_code, "draws the whole session" in done.stderr) == (2, True)


@pytest.mark.parametrize("name", ["a.csv", "a.json", "a.fhir.json", "a.vtt", "a.ics", "a.parquet"])
def test_the_ending_of_the_file_tells_the_form(session: Session, tmp_path: Path, name: str) -> None:
    done = CliRunner().invoke(main, ["export", str(session.folder), str(tmp_path / name)])
    assert done.exit_code == 0, done.output
    assert (tmp_path / name).exists()


def test_an_unknown_ending_is_reported(session: Session, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["export", str(session.folder), str(tmp_path / "a.doc")])
    assert done.exit_code == 2
    assert "has no known file extension" in done.output


@pytest.fixture(scope="module")
def copy(session: Session, tmp_path_factory: pytest.TempPathFactory) -> Session:
    return read(deidentify(session, tmp_path_factory.mktemp("copies") / "copy", timedelta(days=100, hours=5)))


def test_a_deidentified_copy_holds_no_voice_no_code_no_place_and_no_true_time(session: Session, copy: Session) -> None:
    assert any((session.folder / "audio").iterdir())
    raw = b"".join(path.read_bytes() for path in copy.folder.rglob("*") if path.is_file())
    for private in ("W07", "T1", "R3", "Saint Nowhere", "lead on 5571", "shift lead", "Doctor Nobody", "2026-01-05"):
        assert private.encode() in b"".join(p.read_bytes() for p in session.folder.rglob("*") if p.is_file()), private
        assert private.encode() not in raw, private
    assert not list((copy.folder / "audio").glob("*"))
    assert copy.manifest.begun == "2025-09-27T03:00:00.000Z"


def test_a_deidentified_copy_is_a_whole_record_that_replays(session: Session, copy: Session) -> None:
    assert copy.broken_at is None
    assert [line.at for line in copy.lines if line.event] == [line.at for line in session.lines if line.event]
    result = compare(copy, machine_of)
    assert result.same, result.difference
    assert [one.title for one in debrief(copy).incidents] == [one.title for one in debrief(session).incidents]


def test_times_are_moved_by_a_secret_amount(session: Session, tmp_path: Path) -> None:
    begun = {read(deidentify(session, tmp_path / str(n))).manifest.begun for n in range(3)}
    assert len(begun) == 3
    assert session.manifest.begun not in begun


def test_a_damaged_record_is_not_passed_on_as_a_whole_one(session: Session, tmp_path: Path) -> None:
    import shutil  # noqa: PLC0415

    shutil.copytree(session.folder, tmp_path / "s")
    events = tmp_path / "s" / "events.jsonl"
    events.write_bytes(events.read_bytes().replace(b"breach", b"breech", 1))
    with pytest.raises(RecordError, match="is damaged at line"):
        deidentify(read(tmp_path / "s"), tmp_path / "copy")


def test_the_csv_of_a_whole_session_is_a_table(session: Session, tmp_path: Path) -> None:
    CliRunner().invoke(main, ["export", str(session.folder), str(tmp_path / "a.csv")])
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 50
    assert {len(row) for row in rows} == {6}
