from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecoach.checker import verdict
from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.explore import USUAL, explore, modes
from voicecoach.checker.route import happening
from voicecoach.checker.walk import Point, Walk
from voicecoach.checker.world import ENTERED, World
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Act, Branch, BreachRule, Item, Protocol, StagePlan, Step, Timing
from voicecoach.protocol.navigation import arrival, moves, position
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
FILES = sorted((HERE / "protocols").glob("*.yaml"))
N95 = load_protocol("n95-gown")[0]
PRACTICE = load_protocol("short-practice")[0]
RUB = Timing("hand-rub", 20, "rubbing")


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_no_contact_route_is_found_in_a_protocol_of_the_library(file: Path) -> None:
    report = verdict.prove(load_protocol(str(file))[0])
    assert report.good, verdict.text(report)
    assert not [note for note in report.notes if "called from nowhere" in note]
    assert "no contact route found under rules v2; paths" in verdict.text(report)


@pytest.mark.long
@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_none_is_found_with_every_two_things_going_wrong_either(file: Path) -> None:
    report = verdict.prove(load_protocol(str(file))[0], most=2)
    assert report.good, verdict.text(report)


def without(protocol: Protocol, name: str) -> Protocol:
    plans = (StagePlan(p.stage, tuple(s for s in p.steps if s.name != name)) for p in protocol.stages)
    branches = (replace(b, steps=tuple(s for s in b.steps if s.name != name)) for b in protocol.branches)
    return replace(protocol, stages=tuple(plans), branches=tuple(branches))


def test_a_missing_rub_is_told_as_the_shortest_story_with_what_carried_it_and_where_it_arrived() -> None:
    report = verdict.prove(without(N95, "rub-inner-4"))
    assert not report.good
    told = verdict.text(report)
    first = report.explored.counters[0]
    assert (first.used, first.found.rule, first.found.step) == (0, "hygiene-missing", "inner-gloves-away")
    assert "the ties of the gown became dirty (work, from the patient)" in told
    assert "In gown-away, the outside of the inner gloves became dirty" in told
    line = next(step.line for step in N95.steps("undress") if step.name == "inner-gloves-away")
    assert f"In inner-gloves-away (n95-gown.yaml:{line}), this arrived at" in told


def test_a_branch_that_nothing_calls_is_named() -> None:
    lost = replace(N95, branches=(*N95.branches, Branch("lost", N95.branches[0].steps)))
    assert "branch 'lost' is called from nowhere" in verdict.prove(lost, 0).notes


def test_a_hole_that_only_a_branch_has_is_found_with_one_deviation() -> None:
    counters = explore(without(N95, "torn-hands")).counters
    found = next(counter for counter in counters if counter.found.rule == "gloves-on-unclean-hands")
    assert found.used == 1
    assert any(event == "torn" for _, event in found.path)


def test_a_hole_that_only_two_things_together_open_is_found_with_two_deviations() -> None:
    # after a needle the gloves are changed; torn is said then, with bare hands, and nothing that is worn can be meant
    broken = without(PRACTICE, "torn-bare-hands")
    assert explore(broken, most=1).counters == ()
    (counter,) = explore(broken, most=2).counters
    assert (counter.used, counter.found.rule) == (2, "hands-not-clean")


@pytest.mark.long
def test_a_second_incident_while_somebody_is_helped_out_is_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were whoever is helped out at work still led as at work, no air would lead to the list, with bare hands."""
    assert explore(PRACTICE, most=2).counters == ()
    monkeypatch.setattr(arrival, "_helped_out", lambda _, here: here)
    monkeypatch.setattr(moves, "_then", lambda *about: about[-1].then)
    (counter,) = explore(PRACTICE, most=2).counters
    assert (counter.found.rule, counter.found.step, counter.used) == ("dirty-at-hand", "practice-gown-away", 2)
    first, second = (event for _, event in counter.path if event.startswith("breach"))
    assert first == "breach: unwell"
    assert second.startswith("breach: ")


def test_a_false_alarm_called_off_in_the_middle_of_a_branch_is_walked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rule 13. Were it to lead back one step too far, the rub at which it was called out would be left out."""
    walk = Walk(PRACTICE, "solo", 1)
    walk.run()
    called_off = [move.before for move in walk.moves.values() if move.event == "false alarm"]
    assert any(point is not None and point.spot.place.detours[-1:] for point in called_off)
    assert explore(PRACTICE).counters == ()
    monkeypatch.setattr(
        moves,
        "called_off",
        lambda protocol, here, struck: arrival.arrive(protocol, here.at(position.following(struck.inside(())))),
    )
    counters = explore(PRACTICE).counters
    assert "hygiene-missing" in {counter.found.rule for counter in counters}
    assert all("false alarm" in [event for _, event in counter.path] for counter in counters)


@pytest.mark.long
def test_who_is_taken_ill_with_bare_hands_needs_fresh_gloves() -> None:
    counters = explore(without(N95, "short-fresh"), most=2).counters
    assert {counter.found.rule for counter in counters} == {"dirty-at-hand"}


def test_a_branch_that_takes_the_place_of_another_the_second_time_is_walked() -> None:
    """Rule 37: the seal leaks, and leaks again: another model, and after that nobody goes in. One thing goes wrong."""
    walk = Walk(N95, "solo", 1)
    walk.run()
    other = next(point for point in walk.moves if point.spot.name == "other-model")
    assert other.used == 1
    said = [event for _, event in walk.path_to(other) if event]
    assert len(said) == 2
    assert set(said) <= {"loose", "yes"}
    out = [point for point in walk.moves if point.spot.name == "nobody-goes-in"]
    assert any(("seal-check", "other-respirator") in point.stop.memory.tried for point in out)


def test_a_hole_that_only_such_a_branch_has_is_found() -> None:
    """The inner gloves are soiled, and still soiled: they are changed, here with no rub of the bare hands."""
    torn = without(N95, "torn-hands").branch("inner-glove-torn")
    soiled = replace(N95.branch("inner-glove-soiled"), then="same", again="worse")
    others = tuple(branch for branch in N95.branches if branch.name != soiled.name)
    found = explore(replace(N95, branches=(*others, soiled, replace(torn, name="worse", ask=())))).counters
    (counter,) = [one for one in found if one.found.rule == "gloves-on-unclean-hands"]
    assert counter.used == 1
    assert [event for _, event in counter.path if event not in USUAL] == ["soiled", "soiled"]


def test_explain_says_what_is_believed_before_and_after_a_step() -> None:
    told = verdict.explain(N95, "gown-away")
    assert told is not None
    before, after = told.split("after:")
    assert "the front of the gown" in before
    assert "the front of the gown" not in after
    assert "treated: the outside of the inner gloves" in before
    assert verdict.explain(N95, "no-such-step") is None


def test_explain_says_what_is_believed_in_a_branch() -> None:
    in_branch = str(verdict.explain(N95, "torn-hands"))
    assert in_branch.startswith("torn-hands (branch inner-glove-torn, after 'torn' at look-at-inner-gloves)")
    assert "suspect: the hands" in in_branch.split("after:", maxsplit=1)[0]


def test_explain_finds_the_path_that_a_walk_of_all_paths_finds_first() -> None:
    """The search for one step leaves out the surfaces, as the walk of every path does not."""
    full = Walk(PRACTICE, "pair", 2)
    full.run()
    first: dict[str, Point] = {}
    for point in full.moves:
        if point.spot.kind == "step":
            first.setdefault(point.spot.name, point)
    asking, unread = Walk(PRACTICE, "pair", 2), 0
    for _, step in all_steps(PRACTICE):
        asking.moves.clear()
        point, wanted = asking.come_to(step), first.get(step.name)
        if point is None or wanted is None:
            assert point is wanted, step.name
            unread += 1
            explained = str(verdict.explain(PRACTICE, step.name))
            assert "no path on which at most two things go wrong" in explained or "(work): " in explained
        else:
            assert (point.spot.place, *point[1:]) == (wanted.spot.place, *wanted[1:]), step.name
            assert asking.path_to(point) == full.path_to(wanted), step.name
    assert 0 < unread < len(first)


def test_a_bound_that_is_met_is_said_and_is_not_called_good() -> None:
    cut = explore(N95, max_states=500)
    assert cut.bounded
    assert cut.states <= 1000
    report = replace(verdict.prove(N95), explored=replace(cut, counters=()), cut=True)
    assert not report.good
    told = verdict.text(report)
    assert "CUT SHORT" in told.splitlines()[1]
    assert "stopped at its bound" in told
    assert verdict.as_json(report)["cut_short"]


# brute force, on small protocols, with a way of walking of its own

GLOVES = Item("gloves", "hands", 1, "gloves", "gloves", tight=("hands", "wrists"), overlap=("gown.cuff",))
GOWN = Item("gown", "body", 1, "gown", "gown", tight=("uniform", "arms"), traits=("garment",))
ACTS = st.sampled_from(
    [
        (Act("doff", "gloves", "outside"),),
        (Act("doff", "gown", "inside", (), "roll"),),
        (Act("disinfect", "gloves"),),
        (Act("hygiene", "hands"),),
        (Act("touch", "mirror"),),
        (Act("touch", "face"),),
        (Act("don", "gloves", "cuff"),),
        (Act("inspect", "gloves"),),
        (),
    ]
)


@st.composite
def small_protocols(draw: st.DrawFn) -> Protocol:
    names = iter(f"s{n}" for n in range(100))

    def steps(most: int, ways: tuple[str, ...]) -> tuple[Step, ...]:
        made = []
        for _ in range(draw(st.integers(1, most))):
            on = tuple(
                (answer, draw(st.sampled_from(ways))) for answer in ("torn", "soiled") if ways and draw(st.booleans())
            )
            repair = draw(st.sampled_from(("", *ways))) if ways else ""
            when = draw(st.sampled_from([((), ()), (("gloves",), ()), ((), ("gloves",))]))
            made.append(
                Step(next(names), "x", acts=draw(ACTS), timing=RUB, branches=on, repair=repair,
                     when_on=when[0], when_off=when[1])
            )  # fmt: skip
        return tuple(made)

    branches = tuple(Branch(name, steps(2, ()), draw(st.sampled_from(["same", "next"]))) for name in ("one", "two"))
    dress = (
        Step("g", "x", acts=(Act("hygiene", "hands"),), timing=RUB),
        Step("h", "x", acts=(Act("don", "gown", "inside"),)),
        Step("i", "x", acts=(Act("don", "gloves", "cuff"),)),
    )
    breaches = (
        BreachRule("breach", ("undress",), "x", draw(st.sampled_from(["", "one"])), "same"),
        BreachRule("torn", ("work",), "x", draw(st.sampled_from(["", "two"])), "undress"),
    )
    return Protocol(
        name="small", title="", version="", sources=(), items=(GLOVES, GOWN),
        stages=(StagePlan("dress", dress), StagePlan("undress", steps(4, ("one", "two")))),
        branches=branches, breaches=breaches, rejoin=draw(st.sampled_from(["", "two"])),
        exposed=("face", "eyes", "hair", "neck", "legs", "feet"),
    )  # fmt: skip


Key = tuple[str, str, str]
WORK = Step("work", "")


class Brute:
    """Every way one by one, nothing remembered and no navigation asked: the steps still to come are simply a list."""

    def __init__(self, protocol: Protocol, most: int, *, alone: bool) -> None:
        self.protocol, self.most, self.alone = protocol, most, alone
        self.model = ContactModel(protocol)
        self.found: set[Key] = set()
        self.ways = 0
        self.branch = {branch.name: branch for branch in protocol.branches}

    def run(self) -> Brute:
        todo = (*self.protocol.steps("dress"), WORK, *self.protocol.steps("undress"))
        self.walk(todo, self.model.start(), 0)
        return self

    def note(self, found: tuple[object, ...]) -> None:
        self.found |= {(one.rule, one.step, one.at) for one in found}  # type: ignore[attr-defined]

    def for_now(self, todo: tuple[Step, ...], world: World) -> tuple[Step, ...]:
        """What is to come, from the first step on that is for now."""
        on = {self.protocol.items[item].name for item in world.worn}
        while todo and todo[0] is not WORK:
            step = todo[0]
            doffs = {act.target for act in step.acts if act.kind == "doff"}
            dons = {act.target for act in step.acts if act.kind == "don"}
            fits = set(step.when_on) <= on and not set(step.when_off) & on
            if fits and (not doffs or doffs & on) and (not dons or not dons <= on):
                return todo
            todo = todo[1:]
        return todo

    def walk(self, todo: tuple[Step, ...], world: World, used: int) -> None:
        """Walk on from the first step of `todo`, which is for now."""
        if not todo:
            self.note(self.model.leave(world)[1])
            self.ways += 1
        elif todo[0] is not WORK:
            self.step(todo, world, used)
        elif not world.flags & ENTERED:
            world, found = self.model.enter(world)
            self.note(found)
            self.walk(todo, world, used)
            return
        else:
            self.walk(self.for_now(todo[1:], world), world, used)
        if used == self.most:
            return
        # a breach that no rule says anything about: the hands are dirty, the way stays
        self.walk(todo, self.model.happen("dirty", Step("", ""), world), used + 1)
        if used == 0:  # one that is none: it is called off, or it is gone on with
            self.walk(todo, world, self.most)
            at_work = bool(todo) and todo[0] is WORK
            if not (self.alone and at_work):  # rule 12
                self.walk(todo, world, self.most)
            if at_work and not self.alone:  # or it is called off once removal has been asked for
                self.walk(todo, world, self.most)

    def step(self, todo: tuple[Step, ...], world: World, used: int) -> None:
        step = todo[0]
        after, found = self.model.do(step, world)
        self.note(found)
        rest = self.for_now(todo[1:], after)
        self.walk(rest, after, used)
        if used == self.most:
            return
        for answer, name in step.branches:
            torn = self.model.happen(answer, step, world)
            back = todo if self.branch[name].then == "same" else todo[1:]
            self.walk(self.for_now((*self.branch[name].steps, *back), torn), torn, used + 1)
        if step.repair and rest:
            wrong = self.model.happen("dirty", step, after)
            self.walk(self.for_now((*self.branch[step.repair].steps, *rest), wrong), wrong, used + 1)


@settings(deadline=None, max_examples=60)
@given(small_protocols())
def test_the_explorer_agrees_with_brute_force_on_small_random_protocols(protocol: Protocol) -> None:
    # rules for breaches, and pauses, are left out: a new breach ends an old one, which a list of steps does not know
    plain = replace(protocol, breaches=(), rejoin="")
    brute = [Brute(plain, 2, alone=mode == "solo").run() for mode in modes(plain)]
    walked = explore(plain, 2)
    assert {(c.found.rule, c.found.step, c.found.at) for c in walked.counters} == brute[0].found | brute[-1].found
    assert walked.paths == sum(one.ways for one in brute)


@settings(deadline=None, max_examples=40)
@given(small_protocols())
def test_more_deviations_never_hide_what_fewer_have_found(protocol: Protocol) -> None:
    found = [{(c.found.rule, c.found.step, c.found.at) for c in explore(protocol, most).counters} for most in (0, 1, 2)]
    assert found[0] <= found[1] <= found[2]


def test_a_breach_inside_a_breach_ends_the_first_one() -> None:
    # rule 12, and the session's own rule: a new breach never nests in an old one
    found = explore(without(PRACTICE, "torn-bare-hands"), most=2).counters
    events = [[event for _, event in counter.path if event.startswith("breach")] for counter in found]
    assert ["breach: needle", "breach: torn"] in events


def test_every_event_that_is_explored_has_a_meaning_for_the_surfaces() -> None:
    assert [happening(event) for event in ("torn", "breach: torn", "soiled", "pause", "touched", "breach: needle")] == [
        "torn", "torn", "soiled", "doubt", "dirty", "struck",
    ]  # fmt: skip
    assert happening("breach: no-air") == "left"
    assert happening("") == ""
