from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
import yaml
from typer.testing import CliRunner

from voicecoach.checker import difference, verdict
from voicecoach.checker.rules import TABLE, table_text
from voicecoach.cli.main import main
from voicecoach.errors import InputError
from voicecoach.grammar import parse
from voicecoach.protocol.lint import lint
from voicecoach.protocol.load import FIELDS
from voicecoach.protocol.model import Protocol, StagePlan
from voicecoach.protocol.printed_card import FRONT_CHARACTERS, FRONT_LEAST_PT, card, front_characters, front_pt
from voicecoach.protocol.schema import schema
from voicecoach.protocol.steps import STEP_FIELDS
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
FILES = sorted((HERE / "protocols").glob("*.yaml"))
TEMPLATE = (HERE / "voicecoach" / "protocol" / "skeleton.yaml").read_text(encoding="utf-8")
GRAMMAR = parse((HERE / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
SHORT = load_protocol("short-practice")[0]


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, list(arguments))
    return result.exit_code, result.stdout, result.stderr


# check


def test_check_ends_with_what_was_looked_at_and_exits_0() -> None:
    code, out, _ = run("check", "short-practice", "--full")
    assert code == 0
    last = out.strip().splitlines()[-1]
    assert last.startswith("no contact route found under rules v2; paths ")
    assert "not covered: " in last


def test_check_exits_1_with_a_story_when_something_is_found(tmp_path: Path) -> None:
    text = (HERE / "protocols" / "short-practice.yaml").read_text(encoding="utf-8")
    bad = tmp_path / "bad.yaml"
    bad.write_text(text.replace("spared: [straps]", "spared: []"), encoding="utf-8")
    code, out, _ = run("check", str(bad), "--full")
    assert code == 1
    assert "arrived at the hands, carried by the straps of the mask" in out


def test_check_answers_in_ten_lines_and_the_rest_on_request(tmp_path: Path) -> None:
    code, out, _ = run("check", "n95-gown")
    lines = out.strip().splitlines()
    assert code == 0
    assert len(lines) <= 10
    assert lines[1].startswith("No contact route found with one thing going wrong")
    assert lines[2].startswith("Holds only while: ")
    rests = run("check", "n95-gown", "--rests")[1].strip().splitlines()
    assert f"and {len(rests) - 3} more" in lines[2]
    table = tmp_path / "slips.csv"
    assert run("check", "n95-gown", "--csv", str(table))[0] == 0
    assert table.read_text(encoding="utf-8").startswith("rank,step,slip,effect,severity,likelihood,")


def test_check_offers_the_smallest_repair_and_changes_nothing(tmp_path: Path) -> None:
    text = (HERE / "protocols" / "n95-gown.yaml").read_text(encoding="utf-8")
    cut = re.sub(r"    - step: rub-inner-2\n(?:      .*\n)+", "", text)
    assert cut != text
    bad = tmp_path / "bad.yaml"
    bad.write_text(cut, encoding="utf-8")
    code, out, _ = run("check", str(bad), "--repair")
    assert code == 1
    assert "insert a rub of the inner gloves after `shield-away`" in out
    assert bad.read_text(encoding="utf-8") == cut


@pytest.mark.parametrize("content", ["", "protocol: [", "a: &x 1\nb: *x\n", "protocol: x\n", "\0"])
def test_check_exits_2_with_one_line_for_a_file_that_is_not_a_protocol(tmp_path: Path, content: str) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(content, encoding="utf-8")
    code, out, err = run("check", str(bad))
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert "bad.yaml" in err


def test_check_exits_2_for_a_name_that_is_nothing_and_names_what_there_is() -> None:
    code, _, err = run("check", "no-such")
    assert code == 2
    assert "n95-gown" in err


def test_check_as_json_has_the_ways_the_asks_and_the_ranking() -> None:
    code, out, _ = run("check", "short-practice", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["good"] is True
    assert data["found"] == []
    assert data["paths"] > 100
    assert {slip["kind"] for slip in data["ranking"]["slips"]} >= {"omitted", "short", "face"}


def test_check_ranks_slips_and_says_what_the_coach_must_ask() -> None:
    code, out, _ = run("check", "n95-gown", "--slips")
    assert code == 0
    assert "respirator-away: grip -> respirator.front at respirator-away" in out
    assert "  shield-on: named, as shield-on omitted reaches eyes at work" in out


def test_check_explains_a_step_and_refuses_one_that_is_not_there() -> None:
    code, out, _ = run("check", "short-practice", "--explain", "practice-gown-away")
    assert code == 0
    assert "dirty: the front of the gown" in out
    assert run("check", "short-practice", "--explain", "nothing")[0] == 2


def test_check_draws_a_picture(tmp_path: Path) -> None:
    file = tmp_path / "slips.svg"
    assert run("check", "short-practice", "--svg", str(file))[0] == 0
    assert file.read_text(encoding="utf-8").startswith("<svg")


# new


def test_a_new_protocol_loads_lints_and_checks_as_it_stands(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    assert run("new", "my-ward", "--title", "Our ward: first try", "--out", str(file))[0] == 0
    mine = load_protocol(str(file))[0]
    assert (mine.name, mine.title) == ("my-ward", "Our ward: first try")
    assert lint(mine, GRAMMAR) == []
    assert verdict.prove(mine).good
    assert run("new", "my-ward", "--out", str(file))[0] == 2, "an existing file is never overwritten"


@pytest.mark.parametrize("name", ["", "My Ward", "../x", "a--b", "a:b"])
def test_a_name_that_is_none_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="cannot name a protocol"):
        difference.skeleton(TEMPLATE, name)


# diff


def changed(protocol: Protocol, stage: str, order: list[int]) -> Protocol:
    steps = protocol.steps(stage)
    plans = tuple(
        StagePlan(p.stage, tuple(steps[n] for n in order)) if p.stage == stage else p for p in protocol.stages
    )
    return replace(protocol, stages=plans)


def test_a_protocol_does_not_differ_from_itself() -> None:
    code, out, _ = run("diff", "short-practice", "short-practice")
    assert code == 0
    assert "no difference" in out


def test_diff_says_what_is_gone_moved_and_changed_and_what_comes_of_it() -> None:
    one = verdict.prove(SHORT)
    gone = difference.difference(one, verdict.prove(changed(SHORT, "undress", [0, 2, 3, 4, 5])))
    assert "- undress: practice-rub-gloves" in gone
    assert any(line.startswith("+ found: hygiene-missing in practice-gown-away") for line in gone)
    assert gone[-1] == "= the check: good, then not good"
    moved = difference.difference(one, verdict.prove(changed(SHORT, "dress", [1, 0, 2])))
    assert [line for line in moved if line.startswith(">")] == ["> dress: practice-mask-on moved (now first)"]
    steps = SHORT.steps("close")
    said = replace(steps[0], say="Go home.")
    plans = tuple(StagePlan(p.stage, (said,)) if p.stage == "close" else p for p in SHORT.stages)
    lines = difference.difference(one, verdict.prove(replace(SHORT, stages=plans)))
    assert lines == [f"~ close: practice-leave: say {steps[0].say!r} becomes 'Go home.'"]


def test_diff_is_the_same_backwards_with_its_signs_changed() -> None:
    other = changed(SHORT, "undress", [0, 2, 3, 4, 5])
    there = difference.difference(verdict.prove(SHORT), verdict.prove(other))
    back = difference.difference(verdict.prove(other), verdict.prove(SHORT))
    assert (
        sum(line.startswith("- undress") for line in there) == sum(line.startswith("+ undress") for line in back) == 1
    )


# card


class Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words = ""
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_card_has_every_prompt_warning_and_first_word_and_its_tags_close(file: Path) -> None:
    protocol = load_protocol(str(file))[0]
    reader = Words()
    reader.feed(card(protocol))
    assert reader.open == []
    words = " ".join(reader.words.split())
    for plan in protocol.stages:
        for step in plan.steps:
            assert step.say in words
            assert step.warn in words
    for rule in protocol.breaches:
        assert rule.first in words


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_cards_steps_are_printed_in_ten_points_or_more_on_one_side_and_signed_on_both(file: Path) -> None:
    """That so much text fits was tried with a browser's printing; here it is counted."""
    protocol = load_protocol(str(file))[0]
    page = card(protocol)
    assert front_characters(protocol) <= FRONT_CHARACTERS
    assert front_pt(protocol) >= FRONT_LEAST_PT >= 10
    assert f"font: {front_pt(protocol):.1f}pt" in page
    front, back = page.split('<section class="back">')
    assert "<span>Name</span><span>Date</span>" in front
    assert "Wearer's initials" in front.replace("&#x27;", "'")
    assert "<span>Approved by</span>" in back


def test_the_card_says_what_is_for_practice_only_and_escapes_what_is_not_html() -> None:
    assert "For practice only." in card(SHORT)
    assert "<script" not in card(replace(SHORT, title="<script>x</script>"))


# schema


def test_the_schema_is_made_from_the_loaders_own_fields() -> None:
    made = schema()
    assert set(made["properties"]) == set(FIELDS)
    assert set(made["$defs"]["step"]["properties"]) == set(STEP_FIELDS)


def test_the_schema_takes_the_library_and_refuses_mistakes() -> None:
    # jsonschema, the reference implementation for Python
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema is not installed")
    made = schema()
    jsonschema.Draft202012Validator.check_schema(made)
    check = jsonschema.Draft202012Validator(made)
    for file in FILES:
        assert list(check.iter_errors(yaml.safe_load(file.read_text(encoding="utf-8")))) == [], file.name
    wrong = yaml.safe_load((HERE / "protocols" / "short-practice.yaml").read_text(encoding="utf-8"))
    wrong["stages"]["close"][0]["colour"] = "red"
    assert list(check.iter_errors(wrong))
    wrong = yaml.safe_load((HERE / "protocols" / "short-practice.yaml").read_text(encoding="utf-8"))
    wrong["stages"]["undress"][4]["acts"] = [{"don": "mask", "doff": "mask"}]
    assert list(check.iter_errors(wrong))


# rules


def test_the_table_of_rules_names_source_basis_and_judgement_of_each() -> None:
    text = table_text()
    for rule in TABLE:
        assert f"{rule.name} ({rule.severity}): {rule.says}" in text
        assert rule.source in text
        assert rule.judgement in text
    assert run("rules")[1].strip() == text
