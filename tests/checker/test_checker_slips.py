from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from voicecoach.checker import rank, slip_chart, slips_text, verdict
from voicecoach.checker.rank import Probability, correlation
from voicecoach.checker.requirements import requirements
from voicecoach.checker.slips import SlipPaths, pairs, single
from voicecoach.errors import InputError
from voicecoach.protocol.model import Protocol, StagePlan
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
N95 = load_protocol("n95-gown")[0]
FILES = sorted((HERE / "protocols").glob("*.yaml"))


@pytest.fixture(scope="module")
def ranking() -> rank.Ranking:
    return rank.rank(N95)


def test_a_skipped_last_rub_ends_at_the_hands_and_says_where_it_could_be_caught() -> None:
    outcome = next(o for o in single(N95) if o.events[0].name == "rub-hands-2: omitted")
    assert outcome.sites == ("hands",)
    assert (outcome.arrival, outcome.catch, outcome.catch_later) == ("end", "look-at-clothes", 1)


def test_a_missing_face_shield_ends_at_the_eyes_and_the_last_look_could_catch_it() -> None:
    outcome = next(o for o in single(N95) if o.events[0].name == "shield-on: omitted")
    assert outcome.sites == ("eyes",)
    assert outcome.catch == "look-for-skin"


def test_soil_missed_on_the_inner_glove_is_harmless_alone_and_not_with_a_wrong_grip() -> None:
    alone = {o.events[0].name: o for o in single(N95)}
    assert not alone["look-at-inner-gloves: missed"].arrives
    together = {tuple(event.name for event in o.events): o for o in pairs(N95)}
    assert together["look-at-inner-gloves: missed", "inner-gloves-away: grip"].sites == ("hands",)


def test_every_pair_that_is_named_arrives_though_neither_slip_does_alone() -> None:
    arriving = {outcome.events[0] for outcome in single(N95) if outcome.arrives}
    found = pairs(N95)
    assert found
    assert all(outcome.arrives and not set(outcome.events) & arriving for outcome in found)


def test_pairs_found_with_the_first_slips_trace_are_all_the_pairs_there_are() -> None:
    # brute force over all pairs, without the short cut
    way = SlipPaths(load_protocol("short-practice")[0])
    alone = {outcome.events[0]: outcome for outcome in single(way.protocol, way)}
    found = set()
    for first in way.events():
        for second in way.events():
            place, world, broken = way.slip(first, way.worlds[first.place])
            if second.place < place or alone[first].arrives or alone[second].arrives:
                continue
            while place < second.place:
                world, more = way.do(place, world)
                broken += more
                place += 1
            onward, world, more = way.slip(second, world)
            if way.outcome((first, second), broken + more + way.end(onward, world)).arrives:
                found.add((first.name, second.name))
    assert {tuple(event.name for event in o.events) for o in pairs(way.protocol, way)} == found


def test_the_ranking_is_by_criticality_and_every_rank_lies_near_its_spread(ranking: rank.Ranking) -> None:
    values = [slip.criticality for slip in ranking.slips]
    assert values == sorted(values, reverse=True)
    assert [slip.rank for slip in ranking.slips] == list(range(1, len(values) + 1))
    assert all(1 <= slip.spread[0] <= slip.spread[1] <= len(values) for slip in ranking.slips)
    assert [slip.event.name for slip in ranking.slips[:2]] == ["respirator-away: grip", "rub-hands-2: short"]


def test_importance_is_nought_exactly_for_slips_that_lead_nowhere(ranking: rank.Ranking) -> None:
    paired = {event.name for outcome in ranking.pairs for event in outcome.events}
    for slip in ranking.slips:
        concerned = slip.outcome.arrives or slip.event.name in paired
        assert (slip.birnbaum > 0) == concerned
        assert (slip.fussell_vesely > 0) == concerned


def test_the_table_names_its_assumptions(ranking: rank.Ranking) -> None:
    text = slips_text.text(ranking)
    for kind, chance in {**rank.SLIP, **rank.TRANSFER}.items():
        assert f"{kind}: {chance.value} ({chance.low} to {chance.high}; {chance.basis})" in text
    data = slips_text.as_json(ranking)
    assert len(data["slips"]) == len(ranking.slips)


def test_the_picture_is_xml_with_a_bar_for_each_step_and_an_arc_or_a_dot_for_each_slip_that_arrives(
    ranking: rank.Ranking,
) -> None:
    root = ET.fromstring(slip_chart.svg(N95, ranking))  # noqa: S314
    space = "{http://www.w3.org/2000/svg}"
    bars = root.findall(f"{space}rect")
    steps = sum(len(plan.steps) for plan in N95.stages if plan.stage != "work")
    assert len(bars) == steps + 1
    marks = len(root.findall(f"{space}path")) + len(root.findall(f"{space}circle"))
    assert marks == sum(slip.outcome.arrives for slip in ranking.slips)


@pytest.mark.parametrize("values", [(0.5, 0.1, 0.4), (0.1, -0.1, 0.4), (0.1, 0.0, 1.4)])
def test_a_range_that_is_none_is_refused(values: tuple[float, float, float]) -> None:
    with pytest.raises(InputError, match="not a range of probabilities"):
        Probability(*values, "test")


def test_rank_correlation_is_spearmans_with_ties_shared() -> None:
    # worked example: ranks 1 2 3 4 against 2 1 4 3: 1 - 6 * 4 / (4 * 15) = 0.6 (Spearman's formula)
    one = {"a": 1.0, "b": 2.0, "c": 3.0, "d": 4.0}
    assert correlation(one, {"a": 2.0, "b": 1.0, "c": 4.0, "d": 3.0}) == pytest.approx(0.6)
    assert correlation(one, one) == pytest.approx(1.0)
    assert correlation(one, {key: -value for key, value in one.items()}) == pytest.approx(-1.0)


# what the coach must ask


def weakened(protocol: Protocol, name: str, **changes: object) -> Protocol:
    plans = tuple(
        StagePlan(p.stage, tuple(replace(s, **changes) if s.name == name else s for s in p.steps))  # type: ignore[arg-type]
        for p in protocol.stages
    )
    return replace(protocol, stages=plans)


def test_a_respirator_put_on_with_a_routine_answer_asks_for_too_little() -> None:
    weak = weakened(N95, "respirator-on", answers=("done",), matters=False)
    report = verdict.prove(weak)
    assert [(ask.step, ask.kind) for ask in report.short] == [("respirator-on", "named")]
    assert not report.good
    assert "asks for less than computed: respirator-on needs named" in verdict.text(report)


def test_a_protocol_may_ask_for_less_with_a_reason_and_the_check_prints_it() -> None:
    weak = weakened(N95, "hood-away", warn="", weaker="it is part of the gown")
    report = verdict.prove(weak)
    assert report.good
    assert (
        "hood-away has no warning although hood-away grip reaches hood.front at hood-away: it is part of the gown"
        in verdict.text(report)
    )


def test_things_taken_from_the_head_are_warned_about() -> None:
    warned = {ask.step for ask in requirements(N95) if ask.kind == "warning"}
    assert {"shield-away", "hood-away", "respirator-away"} <= warned
