from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecoach.checker.importance import groups, measures, minimal, top
from voicecoach.errors import InputError

NAMES = "abcdef"


def test_birnbaum_of_a_series_of_two_is_the_reliability_of_the_other() -> None:
    # Rausand and Hoyland, System Reliability Theory, chapter on importance [from memory]: series, p = 0.98 and 0.96:
    # I_B(1) = 0.96, I_B(2) = 0.98
    whole, found = measures(minimal([{"one"}, {"two"}]), {"one": 0.02, "two": 0.04})
    assert whole == pytest.approx(1 - 0.98 * 0.96)
    assert found["one"].birnbaum == pytest.approx(0.96)
    assert found["two"].birnbaum == pytest.approx(0.98)


def test_birnbaum_of_two_in_parallel_is_the_unreliability_of_the_other() -> None:
    # the same book [from memory]: parallel, p = 0.98 and 0.96: I_B(1) = 0.04, I_B(2) = 0.02
    whole, found = measures(minimal([{"one", "two"}]), {"one": 0.02, "two": 0.04})
    assert whole == pytest.approx(0.0008)
    assert found["one"].birnbaum == pytest.approx(0.04)
    assert found["two"].birnbaum == pytest.approx(0.02)
    assert found["one"].fussell_vesely == pytest.approx(1.0)


def test_two_out_of_three_has_the_published_formula() -> None:
    # the same book [from memory]: 2-out-of-3, I_B(1) = p2 + p3 - 2 p2 p3
    q = {"a": 0.1, "b": 0.2, "c": 0.3}
    _, found = measures(minimal([{"a", "b"}, {"a", "c"}, {"b", "c"}]), q)
    assert found["a"].birnbaum == pytest.approx(0.8 + 0.7 - 2 * 0.8 * 0.7)


def test_a_reference_library_gives_the_same_probability_and_birnbaum_importance() -> None:
    # relibmss, binary decision diagrams
    ms = pytest.importorskip("relibmss", reason="relibmss is not installed")
    system = ms.BSS()
    events = {name: system.defvar(name) for name in NAMES}
    sets = [{"a"}, {"b", "c"}, {"c", "d", "e"}, {"b", "e"}, {"e", "f"}]
    tree = None
    for cut in sets:
        both = None
        for name in sorted(cut):
            both = events[name] if both is None else both & events[name]
        tree = both if tree is None else tree | both
    diagram = system.getbdd(tree)
    chances = {name: 0.03 * (n + 1) for n, name in enumerate(NAMES)}
    whole, found = measures(minimal(sets), chances)
    assert whole == pytest.approx(diagram.prob(chances))
    reference = diagram.bmeas(chances)
    for name in NAMES:
        assert found[name].birnbaum == pytest.approx(reference[name])


CUTS = st.lists(st.frozensets(st.sampled_from(NAMES), min_size=1, max_size=3), min_size=1, max_size=6)
CHANCES = st.lists(st.floats(0, 1), min_size=6, max_size=6)


def counted(cuts: frozenset[frozenset[str]], chances: dict[str, float]) -> float:
    total = 0.0
    for happened in itertools.product([False, True], repeat=len(NAMES)):
        true = {name for name, here in zip(NAMES, happened, strict=True) if here}
        if any(cut <= true for cut in cuts):
            chance = 1.0
            for name in NAMES:
                chance *= chances[name] if name in true else 1 - chances[name]
            total += chance
    return total


@settings(deadline=None)
@given(CUTS, CHANCES)
def test_probability_and_importances_agree_with_counting_every_case(
    sets: list[frozenset[str]], values: list[float]
) -> None:
    cuts, chances = minimal(sets), dict(zip(NAMES, values, strict=True))
    whole, found = measures(cuts, chances)
    assert whole == pytest.approx(counted(cuts, chances), abs=1e-9)
    assert top(cuts, chances) == pytest.approx(whole, abs=1e-12)
    for name in NAMES:
        sure, never = counted(cuts, {**chances, name: 1.0}), counted(cuts, {**chances, name: 0.0})
        assert found[name].birnbaum == pytest.approx(sure - never, abs=1e-6)
        if whole > 1e-6:
            part = counted(frozenset(cut for cut in cuts if name in cut), chances)
            assert found[name].fussell_vesely == pytest.approx(part / whole, abs=1e-6)


@settings(deadline=None)
@given(CUTS)
def test_minimal_cut_sets_contain_no_other_and_groups_share_no_event(sets: list[frozenset[str]]) -> None:
    cuts = minimal(sets)
    assert not any(one < other for one in cuts for other in cuts)
    parts = groups(cuts)
    assert frozenset().union(*parts) == cuts
    events = [frozenset().union(*part) for part in parts]
    assert sum(map(len, events)) == len(frozenset().union(*events))


@pytest.mark.parametrize("chance", [-0.1, 1.1, float("nan")])
def test_a_probability_outside_nought_to_one_is_refused(chance: float) -> None:
    with pytest.raises(InputError, match="has the probability"):
        top(minimal([{"a"}]), {"a": chance})
