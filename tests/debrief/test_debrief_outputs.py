import csv
import io
import re
import stat
import zipfile
from collections.abc import Callable
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
import simulated
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recorded import note

from voicecoach.debrief.coaching import troubles
from voicecoach.debrief.contents import debrief
from voicecoach.debrief.drawing import picture
from voicecoach.debrief.exports.spreadsheet import to_csv
from voicecoach.debrief.report import page, remarks_on, text
from voicecoach.debrief.story import clock
from voicecoach.debrief.texts import recorded_texts
from voicecoach.debrief.timeline import heard_against_said, rows
from voicecoach.errors import InputError, RecordError
from voicecoach.protocol.lint import all_steps
from voicecoach.record.archive import pack, verify
from voicecoach.record.read import Session, read
from voicecoach.session.effects import Note, Say
from voicecoach.session.events import Heard, Opened, PromptEnded, SpeechUnending
from voicecoach.session.notes import NoteKind

S = 16_000
Maker = Callable[..., Session]


def html(session: Session) -> str:
    return page(session).html


def remarks_by_step(session: Session) -> dict[str, str]:
    result = debrief(session)
    return {run.name: "; ".join(remarks_on(run, result.words)) for run in result.steps}


def test_the_page_tells_steps_and_what_was_amiss_with_them(scene: Session) -> None:
    result = remarks_by_step(scene)
    assert list(result) == ["disinfect-outer-gloves", "outer-gloves-off", "breach-rub", "shield-off", "hood-off"]
    assert result["shield-off"] == "not independently confirmed"
    assert result["hood-off"] == ""


def test_an_incident_is_shown_with_its_time_and_its_words(scene: Session) -> None:
    (incident,) = debrief(scene).incidents
    assert (clock(incident.at_s), incident.title, incident.step) == ("00:53.6", "Breach called", "inspect")
    assert incident.done == ["Breach rub", "Shield off", "Hood off"]
    assert "00:53.6  Breach called" in text(scene)


def test_the_limits_say_when_nothing_could_be_heard(scene: Session) -> None:
    ((_, result),) = debrief(scene).limits
    assert result == "The coach could not hear for 4 s: the recogniser died"


def test_an_unknown_note_is_shown_plainly(scene: Session) -> None:
    assert [note.title for note in debrief(scene).others][-1] == "something new"
    assert "something new  a: <b>" in text(scene)
    assert "a: &lt;b&gt;" in html(scene)
    assert "<b>" not in html(scene).replace("<li><b>", "")


def test_an_exposure_whose_place_is_named_later_is_one_exposure_with_that_place(record: Maker) -> None:
    step = note("step", step="gown-away", stage="undress")
    splash = (
        note("breach", kind="splash", stage="undress", step="gown-away", by="wearer"),
        note("exposure", place="unknown", cause="splash", step="gown-away"),
    )
    eyes = Heard(9 * S, "eyes", "eyes", role="wearer", source="typed")
    named = (note("exposure", place="eyes", cause="where"),)
    session = record([(Opened(0, "pair", "vosk", "none", True, False), (step, *splash)), (eyes, named)])
    (incident,) = debrief(session).incidents
    assert incident.places == ["eyes"]
    (run,) = debrief(session).steps
    assert troubles(run)["exposure"] == 1


def test_an_exposure_without_a_place_after_one_with_a_place_is_another_exposure(record: Maker) -> None:
    step = note("step", step="gown-away", stage="undress")
    breach = note("breach", kind="breach", stage="undress", step="gown-away", by="wearer")
    arm = note("exposure", place="arm", cause="where", step="gown-away")
    unsure = note("exposure", place="unknown", cause="skin", step="gown-away")
    session = record([(Opened(0, "pair", "vosk", "none", True, False), (step, breach, arm, unsure))])
    assert debrief(session).incidents[0].places == ["arm", "unknown"]
    assert troubles(debrief(session).steps[0])["exposure"] == 2


def test_training_only_stands_at_the_top_until_the_session_says_otherwise(record: Maker) -> None:
    trained = record([(Opened(0, "solo", "vosk", "none", False, False), ())], name="in-use")
    training = record([(Opened(0, "solo", "vosk", "none", True, False), ())], name="training")
    assert "Training only" in text(training).splitlines()[4]
    assert "Training only" in html(training).partition("</header>")[0]
    assert "Training only" not in text(trained)
    assert "Training only" in text(record([], name="unknown"))


def test_a_voice_check_that_met_its_bars_lifts_training_only_and_one_that_did_not_does_not(record: Maker) -> None:
    for lifted in (False, True):
        voice = Note(NoteKind.VOICE, (("result", "told"), ("training-only", str(not lifted))))
        opened = Opened(0, "solo", "mixed", "none", True, False)
        session = record([(opened, ()), (Heard(5, "done"), (voice,))], name=f"voice-{lifted}")
        result = (text(session), html(session).partition("</header>")[0], picture(session))
        shown = [any(words in one for words in ("Training only", "training only</text>")) for one in result]
        assert shown == [not lifted] * 3, lifted


def test_a_session_without_an_end_and_a_damaged_record_are_said_first(record: Maker) -> None:
    session = record([(Heard(S, "done"), (Say(1, "Next."),)), (SpeechUnending(2 * S), ())])
    path = session.folder / "events.jsonl"
    path.write_bytes(path.read_bytes().replace(b"Next.", b"Text.") + b"half")
    warnings = " ".join(debrief(read(session.folder)).warnings)
    assert "Line 2 of events.jsonl was damaged or changed" in warnings
    assert "is unfinished (4 bytes)" in warnings
    assert "did not come to its end" in warnings


def test_the_cautions_are_on_both_pages(scene: Session) -> None:
    for made in (text(scene), html(scene)):
        assert "not a medical device" in made
        assert "A trained observer, the local protocol and licensed practice come first." in made


class Balance(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_html_page_is_whole_and_fetches_nothing(scene: Session) -> None:
    made = html(scene)
    balance = Balance()
    balance.feed(made)
    assert balance.open == []
    assert "src=" not in made
    assert set(re.findall('href="(.)', made)) == {"#"}
    assert made.count("http:") + made.count("https:") == made.count('xmlns="http://www.w3.org/2000/svg"') == 1
    assert "default-src 'none'" in unescape(made)


def test_the_table_has_a_row_for_each_row_of_the_timeline(scene: Session) -> None:
    table = list(csv.DictReader(io.StringIO(to_csv(scene))))
    assert [(row["time"], row["who"], row["what"]) for row in table] == [(r.time, r.who, r.what) for r in rows(scene)]
    assert float(table[0]["at_s"]) == 0


def test_no_text_becomes_a_formula_in_a_spreadsheet(record: Maker) -> None:
    session = record([(Heard(1, "done"), (Say(1, '=HYPERLINK("x")'), Say(2, "ordinary, with a comma")))])
    table = list(csv.DictReader(io.StringIO(to_csv(session))))
    assert [row["text"] for row in table][1:] == ['\'=HYPERLINK("x")', "ordinary, with a comma"]


def test_an_archive_holds_the_record_without_sound_and_verifies(scene: Session, tmp_path: Path) -> None:
    (scene.folder / "audio" / "clip-1-2.wav").write_bytes(b"voice")
    target = tmp_path / "session.zip"
    pack(scene.folder, target)
    with zipfile.ZipFile(target) as archive:
        assert sorted(archive.namelist()) == [
            f"session/{name}" for name in ("events.jsonl", "hashes.json", "manifest.json", "protocol.yaml", "worn.json")
        ]
    assert verify(target).wrong == ()
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    with pytest.raises(InputError, match="already exists"):
        pack(scene.folder, target)


def repack(target: Path, change: Callable[[dict[str, bytes]], None]) -> None:
    with zipfile.ZipFile(target) as archive:
        contents = {name: archive.read(name) for name in archive.namelist()}
    change(contents)
    with zipfile.ZipFile(target, "w") as archive:
        for name, data in contents.items():
            archive.writestr(name, data)


def test_what_was_changed_in_an_archive_is_named(scene: Session, tmp_path: Path) -> None:
    target = tmp_path / "session.zip"
    pack(scene.folder, target)

    def change(contents: dict[str, bytes]) -> None:
        contents["session/events.jsonl"] = contents["session/events.jsonl"].replace(b'"went on alone"', b'"went on"')
        del contents["session/protocol.yaml"]
        contents["session/more.txt"] = b"x"

    repack(target, change)
    wrong = " ".join(verify(target).wrong)
    assert "events.jsonl was changed." in wrong
    assert "protocol.yaml is missing." in wrong
    assert "more.txt was added." in wrong
    assert re.search(r"events\.jsonl, line \d+: was damaged or changed", wrong)


def test_what_is_not_an_archive_and_what_is_not_a_session_are_reported_in_one_line(tmp_path: Path) -> None:
    bad = tmp_path / "bad.zip"
    bad.write_bytes(b"PK not really")
    for path in (bad, tmp_path / "missing.zip"):
        with pytest.raises(InputError, match="is not an archive of a session") as raised:
            verify(path)
        assert "\n" not in str(raised.value)
    with pytest.raises(RecordError, match="is not a session"):
        pack(tmp_path, tmp_path / "x.zip")
    with pytest.raises(RecordError, match="cannot be read"):
        pack(tmp_path / "nowhere", tmp_path / "x.zip")


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 5_000), st.binary(min_size=1, max_size=3)), max_size=6))
def test_a_damaged_record_still_gives_every_kind_of_page(scene: Session, damage: list[tuple[int, bytes]]) -> None:
    path = scene.folder / "events.jsonl"
    good = path.read_bytes()
    raw = bytearray(good)
    for position, data in damage:
        raw[position : position + len(data)] = data
    path.write_bytes(raw)
    try:
        session = read(scene.folder)
    finally:
        path.write_bytes(good)
    assert (session.broken_at is None) == (bytes(raw) == good)
    for made in (text(session), html(session), picture(session), to_csv(session)):
        assert made
    heard_against_said(session, [(0, S, "x", None)])


FIELDS = (
    st.none() | st.booleans() | st.integers(-(10**20), 10**20) | st.floats() | st.text(max_size=5) | st.just([1, "a"])
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_fields_of_any_kind_still_give_every_kind_of_page(
    record: Maker, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    from voicecoach.record import lines  # noqa: PLC0415

    folder = tmp_path_factory.mktemp("odd")
    (folder / "manifest.json").write_bytes(record([], name=folder.name).manifest.to_bytes())
    chain, raw = "0" * 64, b""
    for _ in range(data.draw(st.integers(1, 4))):
        kind = data.draw(st.sampled_from(["event", "effect", "gap", "odd"]))
        line = {"seq": data.draw(FIELDS), "line": kind, "at": data.draw(st.integers(0, 10**6) | FIELDS)}
        names = ["of", "command", "phrase", "begin", "end", "role", "score", "prompt", "played_s", "complete", "text"]
        names += ["what", "details", "tone", "part", "why", "gap_s", "channel", "first", "last", "late_s", "wall"]
        line |= {name: data.draw(FIELDS) for name in names}
        line["event"] = data.draw(st.sampled_from(["heard", "prompt-ended", "part-lost", "part-back", "reopened"]))
        line["effect"] = data.draw(st.sampled_from(["say", "note", "tone", "close"]))
        sealed, chain = lines.seal(chain, line)
        raw += sealed
    (folder / "events.jsonl").write_bytes(raw)
    session = read(folder)
    for made in (text(session), html(session), picture(session), to_csv(session)):
        assert made


def test_prompts_cut_and_notes_without_details_are_shown(record: Maker) -> None:
    session = record(
        [(Heard(S, "x"), (Say(1, "A long prompt."), Note("wear-time"))), (PromptEnded(2 * S, 1, 0.5, False), ())]
    )
    assert "wear time" in text(session)
    assert "prompt 1 after 0.5 s" in to_csv(session)


def test_no_name_of_the_program_stands_in_a_debrief(tmp_path: Path) -> None:
    session = read(simulated.run(simulated.Plan(slips=0.15, seed=4), tmp_path / "s"))
    names = {step.name for _, step in all_steps(recorded_texts(session).setup().protocol)}
    names |= {str(kind) for kind in NoteKind} | {"undress", "practice-run", "removal-area"}
    names = {name for name in names if "-" in name or name == "undress"}  # others are words of anybody's
    result = debrief(session)
    said = {result.words.step(name) for name in names}
    shown = re.sub(r"<script.*?</script>|<style.*?</style>|<[^>]*>", " ", html(session), flags=re.DOTALL)
    for text_of in (text(session), unescape(shown)):
        assert {name for name in names - said if re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", text_of)} == set()
    assert "Taking off" in shown
