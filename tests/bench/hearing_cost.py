"""What hearing costs; run `python tests/bench/hearing_cost.py [--quick]`; prints, judges nothing.

Real-time factor of one core by part, resident memory, time to be ready, and from the last sample of a word to its
decision on the line's clock. Baselines of the same run: a decode that waits for the hang-over, the engine of the
package whose network is computed, and PocketSphinx.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import numpy as np
from hearing_sounds import HELD_OUT, Sound, english, noise, owners, scene, spoken, table, to_hand
from hearing_states import can_mean, states
from package_engine import package_log_probabilities, package_model

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ
from voicecoach.listen.echo import EchoCanceller
from voicecoach.listen.engines.mixed import MixedScorer
from voicecoach.listen.engines.network import HamaNetwork
from voicecoach.listen.engines.phonemes import PhonemeScorer
from voicecoach.listen.pipeline import Pipeline
from voicecoach.listen.segmenter import Segment, Segmenter
from voicecoach.session.events import Heard


def cpu_s(work: Callable[[], object]) -> float:
    """Processor time of `work` (s)."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def resident_mb() -> float:
    """Most memory this process has had (MB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def run(ear: Pipeline, heard: Sound, played: Sound | None = None) -> list[Heard]:
    """Feed a recording as a line would."""
    silent = np.zeros(len(heard), np.float32) if played is None else played
    return [
        event
        for at in range(0, len(heard) - BLOCK_FRAMES, BLOCK_FRAMES)
        for event in ear.feed(at, heard[at : at + BLOCK_FRAMES, None], silent[at : at + BLOCK_FRAMES])
        if isinstance(event, Heard)
    ]


def decoding(engine: MixedScorer, cuts: list[Segment], live: list[str]) -> list[float]:
    """Print what one decode costs; how long each took (s)."""
    took = [(cpu_s(lambda s=cut: engine.score(s.samples, live)), len(cut.samples) / RATE_HZ) for cut in cuts]  # type: ignore[misc]
    wall = []
    for cut in cuts:
        start = time.perf_counter()
        engine.score(cut.samples, live)
        wall.append(time.perf_counter() - start)
    print(
        f"\ndecoding: {1000 * sum(t for t, _ in took) / sum(s for _, s in took):.0f} ms a second of sound,"
        f" {len(cuts)} utterances"
    )
    works = {"the network": HamaNetwork().log_probabilities, "the package's own engine": package_log_probabilities}
    package_model()  # loaded before it is timed
    for name, work in works.items():
        spent_s = [cpu_s(lambda s=cut, w=work: w(s.samples)) for cut in cuts]  # type: ignore[misc]
        print(f"{name} alone: {1000 * sum(spent_s) / sum(len(cut.samples) / RATE_HZ for cut in cuts):.0f} ms a second")
    alone = PhonemeScorer()
    alone.prepare(english())
    spent_s = [cpu_s(lambda s=cut: alone.rank(s.samples)) for cut in cuts]  # type: ignore[misc]
    print(f"the phonemes alone, network and phrases: {1000 * np.median(spent_s):.0f} ms an utterance")
    return wall


def main(*, quick: bool) -> None:
    before_mb = resident_mb()
    begin = time.perf_counter()
    grammar = english()
    engine = MixedScorer()

    def new_ear() -> Pipeline:
        return Pipeline(engine, grammar, {0: "wearer"})

    ear = new_ear()
    ready_s = time.perf_counter() - begin
    together = states(grammar)
    live = together[0]
    ear.listen(live)
    voices = to_hand(HELD_OUT)
    words = ["step done", "repeat", "breach", "step complete", "previous step", "stop stop"]
    clips = [
        (text, scene(spoken(spec, text), text, mask=True, snr_db=20.0))
        for spec in list(voices.values())[: 2 if quick else 6]
        for text in words
    ]
    session = np.concatenate([np.pad(clip, (0, 2 * RATE_HZ)) for _, clip in clips])
    session = (session + noise(len(session), 3) * 5e-4).astype(np.float32)
    length_s = len(session) / RATE_HZ
    rows: list[tuple[object, ...]] = []
    whole_s = cpu_s(lambda: run(ear, session))
    rows.append(("all of it, a word every 4 s", f"{whole_s / length_s:.3f}"))
    quiet = (noise(len(session), 4) * 5e-4).astype(np.float32)
    still = new_ear()
    rows.append(("all of it, a quiet room", f"{cpu_s(lambda: run(still, quiet)) / length_s:.3f}"))
    talk = np.concatenate(
        [spoken(next(iter(voices.values())), "the patient in the next room is waiting")] * (4 if quick else 12)
    )
    chatter = new_ear()
    chatter.listen(live)
    rows.append(
        (
            "all of it, somebody talking without a gap",
            f"{cpu_s(lambda: run(chatter, talk)) / (len(talk) / RATE_HZ):.3f}",
        )
    )
    over = new_ear()
    over.listen(live)
    rows.append(
        (
            "all of it, while the coach speaks",
            f"{cpu_s(lambda: run(over, (talk * 0.5).astype(np.float32), talk)) / (len(talk) / RATE_HZ):.3f}",
        )
    )
    rows.append(("the voice detector alone", f"{cpu_s(lambda: Segmenter().feed(0, quiet)) / length_s:.3f}"))
    canceller = EchoCanceller()
    rows.append(("the echo canceller alone, at work", f"{cpu_s(lambda: canceller.feed(quiet, quiet)) / length_s:.3f}"))
    table(("real-time factor of one core", ""), rows)

    cuts = [thing.segment for _, clip in clips for thing in Segmenter().feed(0, clip) if thing.what == "whole"]
    wall = decoding(engine, cuts, live)
    print(f"ready in {ready_s:.2f} s; resident {resident_mb():.0f} MB, of it {before_mb:.0f} MB before the engine")

    delays, waits, refused = [], [], 0
    owner = owners(grammar)
    for number, (text, clip) in enumerate(clips):
        fresh = new_ear()
        fresh.listen(can_mean(together, owner[text], f"{number} {text}"))
        last = len(clip) - round(0.75 * RATE_HZ)
        for event in run(fresh, np.pad(clip, (0, RATE_HZ)))[-1:]:
            late = (event.at - last) / RATE_HZ
            refused += event.command is None
            delays.append(late)
            waits.append(late + wall[number % len(wall)])
    print(f"\nfrom the last sample of a word to the decision (s), median / 95th percentile; {refused} refused, which")
    print("waits for 0.2 s more")
    table(
        ("decode", "median", "95th"),
        [
            ("while the hang-over runs", f"{np.median(delays):.2f}", f"{np.percentile(delays, 95):.2f}"),
            ("behind the hang-over", f"{np.median(waits):.2f}", f"{np.percentile(waits, 95):.2f}"),
        ],
    )
    sphinx(cuts[0].samples)


def sphinx(sound: Sound) -> None:
    """The baseline engine's cost on one utterance."""
    try:
        from pocketsphinx import Decoder, get_model_path  # noqa: PLC0415 (an optional baseline)
    except ImportError as error:
        print(f"not run: PocketSphinx: {error}")
        return
    before_mb = resident_mb()
    decoder = Decoder(
        hmm=get_model_path("en-us/en-us"), dict=get_model_path("en-us/cmudict-en-us.dict"), lm=None, loglevel="FATAL"
    )
    decoder.add_jsgf_string("live", "#JSGF V1.0; grammar live; public <live> = step done | repeat | breach ;")
    decoder.activate_search("live")
    data = (sound * 45000).clip(-32768, 32767).astype(np.int16).tobytes()

    def decode() -> None:
        for _ in range(10):
            decoder.start_utt()
            decoder.process_raw(data, full_utt=True)
            decoder.end_utt()

    spent_s = cpu_s(decode)
    print(
        f"PocketSphinx: {100 * spent_s / (len(sound) / RATE_HZ):.0f} ms a second of sound,"
        f" {resident_mb() - before_mb:.0f} MB more"
    )


if __name__ == "__main__":
    main(quick="--quick" in sys.argv)
