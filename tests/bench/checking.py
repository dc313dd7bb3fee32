"""What checking costs and what it notices. Run `python tests/bench/checking.py [limits | mutants]`; it only prints.

Baseline of the same run: the explorer without its memory of equal states, walking every way one by one.
"""

from __future__ import annotations

import resource
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

from voicecoach.checker.explore import explore
from voicecoach.checker.rank import Ranking, by_kind, correlation, rank
from voicecoach.checker.slips import SlipPaths, pairs, single
from voicecoach.checker.verdict import prove
from voicecoach.protocol.model import Act, Branch, BreachRule, Item, Protocol, StagePlan, Step, Timing
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
sys.path.insert(0, str(HERE / "tests" / "checker"))
RUB = Timing("hand-rub", 20, "rubbing")


def library() -> list[Protocol]:
    """The protocols of the library."""
    return [load_protocol(str(file))[0] for file in sorted((HERE / "protocols").glob("*.yaml"))]


def generated(steps: int, branches: int) -> Protocol:
    """About `steps` steps: layers put on and taken off with a look and a rub between, `branches` ways from a look."""
    count = max(1, (steps - 6) // 5)
    gloves = Item("gloves", "hands", 1, "gloves", "gloves", tight=("hands", "wrists"))
    layers = tuple(
        Item(f"layer-{n}", "body", n + 1, "gown", "gown", covers=(f"layer-{n - 1}.front",) if n else ("uniform",))
        for n in range(count)
    )
    ways = tuple((answer, f"branch-{n}") for n, answer in enumerate(("torn", "soiled", "loose", "open")[:branches]))
    dress = [
        Step("first", "x", acts=(Act("hygiene", "hands"),), timing=RUB),
        Step("gloves-on", "x", acts=(Act("don", "gloves", "cuff"),)),
        *(Step(f"on-{n}", "x", acts=(Act("don", f"layer-{n}", "inside"),)) for n in range(count)),
    ]
    undress = []
    for n in reversed(range(count)):
        undress += [
            Step(f"look-{n}", "x", acts=(Act("inspect", f"layer-{n}"),), branches=ways),
            Step(f"rub-{n}", "x", acts=(Act("disinfect", "gloves"),), timing=RUB, repair="again"),
            Step(f"off-{n}", "x", acts=(Act("doff", f"layer-{n}", "inside", (), "roll"),), repair="again"),
            Step(f"rub-after-{n}", "x", acts=(Act("disinfect", "gloves"),), timing=RUB),
        ]
    undress += [
        Step("gloves-off", "x", acts=(Act("doff", "gloves", "outside", (), "roll"),)),
        Step("last", "x", acts=(Act("hygiene", "hands"),), timing=RUB),
    ]
    rub = (
        Step("again-rub", "x", acts=(Act("disinfect", "gloves"),), timing=RUB, when_on=("gloves",)),
        Step("again-hands", "x", acts=(Act("hygiene", "hands"),), timing=RUB, when_off=("gloves",)),
    )
    named = lambda name: tuple(replace(step, name=f"{name}-{step.name}") for step in rub)  # noqa: E731
    return Protocol(
        name=f"generated-{steps}-{branches}", title="", version="", sources=(), items=(gloves, *layers),
        stages=(StagePlan("dress", tuple(dress)), StagePlan("undress", tuple(undress))),
        branches=(
            *(Branch(name, named(name), "next") for _, name in ways), Branch("again", rub, "same"),
            Branch("rejoin", named("rejoin"), "same"), Branch("touched", named("touched"), "same"),
        ),
        breaches=(
            BreachRule("breach", ("undress",), "x", "touched", "same"),
            BreachRule("no-air", ("work",), "x", "", "undress"),
        ),
        rejoin="rejoin", touched="touched", exposed=("face", "eyes", "hair", "neck", "legs", "feet", "uniform", "arms"),
        room=(("dispenser", "hands-free"), ("bin", "hands-free")),
    )  # fmt: skip


def memory_mb() -> float:
    """Largest resident size of this process so far (MB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def full(protocol: Protocol) -> tuple[float, float, float, int, int]:
    """Seconds of exploring (pairs of branches), of slips (singles and pairs) and of the whole check; paths; states."""
    start = time.perf_counter()
    walked = explore(protocol, 2)
    explored = time.perf_counter()
    way = SlipPaths(protocol)
    single(protocol, way)
    pairs(protocol, way)
    slipped = time.perf_counter()
    return explored - start, slipped - explored, slipped - start, walked.paths, walked.states


def speed() -> None:
    """The library, then growth with steps and with branches."""
    print("speed, one core (aim: the largest protocol in 1 s and 200 MB)")
    print(
        f"{'protocol':24} {'steps':>5} {'explore':>8} {'slips s':>8} {'sum s':>7} {'paths':>10} {'states':>7} {'MB':>3}"
    )
    made = [generated(steps, 2) for steps in (20, 40, 80, 160)] + [generated(80, n) for n in (0, 1, 2, 4)]
    for protocol in (*library(), *made):
        steps = sum(len(plan.steps) for plan in protocol.stages) + sum(len(b.steps) for b in protocol.branches)
        one, two, both, paths, states = full(protocol)
        print(
            f"{protocol.name:24} {steps:>5} {one:>8.3f} {two:>8.3f} {both:>7.3f}"
            f" {paths:>10,} {states:>7,} {memory_mb():>3.0f}"
        )
    small = generated(20, 2)
    start = time.perf_counter()
    ways = every_way(small)
    print(f"baseline, every way of {small.name} one by one: {ways:,} ways in {time.perf_counter() - start:.2f} s")
    print(
        "bound: states grow with the square of the places a deviation can start from; 200,000 a mode, then it says so;"
    )


def limits() -> None:
    """Long lists and many pieces: the check with every two things going wrong, and whether it was cut short.

    Baseline of the same run: the same with one thing going wrong.
    """
    print("\nlimits (aim: 400 steps and 34 pieces in 5 s each, or an honest 'cut short'); processor time")
    print(f"{'list':24} {'steps':>5} {'pieces':>6} {'one s':>7} {'two s':>7} {'states':>8} {'cut short':>9}")
    for steps in (100, 176, 400):
        protocol = generated(steps, 2)
        count = sum(len(plan.steps) for plan in protocol.stages)
        spent, walked = [], None
        for most in (1, 2):
            start = time.process_time()
            walked = explore(protocol, most)
            spent.append(time.process_time() - start)
        assert walked is not None
        print(
            f"{protocol.name:24} {count:>5} {len(protocol.items) - 1:>6} {spent[0]:>7.2f} {spent[1]:>7.2f}"
            f" {walked.states:>8,} {'yes' if walked.bounded else 'no':>9}"
        )


def every_way(protocol: Protocol) -> int:
    """Walk without memory: each way to its end."""
    from voicecoach.checker.walk import Walk  # noqa: PLC0415

    walk = Walk(protocol, "pair", 2, 10**9)
    first = walk.start()
    ways, stack = 0, [first]
    while stack:
        node = stack.pop()
        onward = [after for _, _, after, _ in walk.leave(node)]
        ways += sum(after is None for after in onward)
        stack += [after for after in onward if after is not None]
    return ways


# published: which classes of step come out on top

MUMMA_2018 = {"hand hygiene": 111.0, "hood": 70.0}
"""Risk index, PAPR ensemble, hand hygiene and PAPR hood; Mumma 2018 [read]. The other figures were not read."""
MUMMA_2019 = ("hand hygiene", "garment", "boot covers")
"""Above average at all four sites; Mumma 2019 [read]."""
TOMAS_2015 = {"gloves": 52.9, "garment": 37.8}
"""Contaminated removals, per cent; Tomas 2015 [read]."""


def studies() -> None:
    """The ranking by kind of step beside the studies; nothing is tuned to them."""
    print("\nranking by kind of step, criticality and per step, beside published studies")
    for protocol in library():
        if protocol.practice:
            continue
        ranking = rank(protocol)
        sums = dict(by_kind(ranking))
        each = per_step(ranking)
        order = ", ".join(f"{kind} {value:.4f}" for kind, value in sums.items())
        print(f"{protocol.name}: {order}; order agrees with itself over the ranges {ranking.steadiness:.2f}")
        mean = sum(sums.values()) / len(sums)
        above = [kind for kind in MUMMA_2019 if sums.get(kind, 0.0) > mean]
        print(
            f"    Mumma 2019, above average at all sites: {', '.join(MUMMA_2019)}; here: {', '.join(above) or 'none'}"
        )
        if {"hood", "hand hygiene"} <= set(sums):
            ratio = sums["hand hygiene"] / sums["hood"]
            print(f"    Mumma 2018, hand hygiene to hood 111 to 70 = 1.6; here {ratio:.1f}")
        print(f"    Tomas 2015, gloves to gowns 52.9 to 37.8 = 1.4; here {each['gloves'] / each['garment']:.1f} a step")
        published = {"hand hygiene": 3.0, "hood": 2.5, "garment": 2.0, "boot covers": 2.0, "face": 1.0, "shoes": 1.0}
        shared = {kind: value for kind, value in published.items() if kind in sums}
        print(f"    rank correlation with the order of the two Mumma studies (ties, {len(shared)} classes):"
              f" {correlation(shared, sums):.2f}")  # fmt: skip


def per_step(ranking: Ranking) -> dict[str, float]:
    """Mean criticality a step of each kind."""
    steps: dict[str, set[str]] = {}
    for slip in ranking.slips:
        steps.setdefault(slip.step_kind, set()).add(slip.event.step)
    return {kind: value / len(steps[kind]) for kind, value in by_kind(ranking)}


def mutants_of_the_library() -> None:
    """How much of the harm done by machine is reported, class by class, and why the rest is harmless."""
    from checker_mutants import harmless, mutants, noticed  # noqa: PLC0415

    print("\nmutants: what one change does to a protocol, one at a time; reported, harmful, harmless")
    reported: Counter[str] = Counter()
    made: Counter[str] = Counter()
    passed: Counter[str] = Counter()
    for protocol in library():
        for mutant in mutants(protocol):
            made[mutant.kind] += 1
            if noticed(mutant):
                reported[mutant.kind] += 1
                continue
            why = harmless(mutant, protocol)
            passed[mutant.kind] += bool(why)
            print(f"    {protocol.name}: {mutant.kind}: {mutant.where}: {'harmless: ' + why if why else 'NOT TOLD'}")
    for kind in made:
        harmful = made[kind] - passed[kind]
        share = 100 * reported[kind] / harmful if harmful else 100.0
        print(f"{kind:26} {reported[kind]:>4} of {harmful:>4} reported ({share:.1f} %), {passed[kind]} harmless")


if __name__ == "__main__":
    if "limits" in sys.argv[1:]:
        limits()
        sys.exit()
    speed()
    limits()
    studies()
    for made in library():
        report = prove(made)
        print(f"{made.name}: {'good' if report.good else 'NOT GOOD'}, {len(report.checked)} published orders")
    if "mutants" in sys.argv[1:]:
        mutants_of_the_library()
