import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from voicecoach.debrief.axis import axis
from voicecoach.debrief.drawing import picture
from voicecoach.record.read import Session
from voicecoach.session.events import Heard

SVG = "{http://www.w3.org/2000/svg}"


def test_the_picture_is_whole_xml_and_shows_every_lane(scene: Session) -> None:
    root = ET.fromstring(picture(scene))  # noqa: S314  we made it
    lanes = [node.text for node in root.iter(f"{SVG}text") if node.get("class") == "lane"]
    assert {"step", "coach", "wearer", "observer", "assistant", "worn"} == set(lanes)
    titles = " ".join(node.text or "" for node in root.iter(f"{SVG}title"))
    for text in (
        "breach breach",
        "wrong role",
        "Stop. Hands away.",
        "went on alone",
        "the recogniser died",
        "gown on from",
    ):
        assert text.split()[0] in titles, text
    assert any(node.text == "training only" for node in root.iter(f"{SVG}text"))


def test_a_breach_a_gap_a_deviation_and_a_weak_step_stand_out(scene: Session) -> None:
    classes = re.findall(r'class="([^"]+)"', picture(scene))
    for css in ("m-breach", "m-deviation", "m-refused", "m-not-independent", "deaf", "danger", "cut"):
        assert css in classes
    assert any(css.endswith("weak") for css in classes)


def test_nothing_is_drawn_outside_the_picture(scene: Session) -> None:
    root = ET.fromstring(picture(scene))  # noqa: S314
    width, height = float(root.get("width", "0")), float(root.get("height", "0"))
    for bar in root.iter(f"{SVG}rect"):
        if bar.get("x") is not None:
            assert 0 <= float(bar.get("x", "0")) <= float(bar.get("x", "0")) + float(bar.get("width", "0")) <= width
            assert 0 <= float(bar.get("y", "0")) + float(bar.get("height", "0")) <= height


@pytest.mark.parametrize("phrase", ["<script>&\"'", "\x00\x1b[31m", "\ud800", "완료", "\uffff"])
def test_no_words_can_break_the_picture(record: Callable[..., Session], phrase: str) -> None:
    ET.fromstring(picture(record([(Heard(20_000, None, phrase, begin=4_000, end=16_000), ())])))  # noqa: S314


def test_a_session_in_which_nothing_happened_has_a_picture(record: Callable[..., Session]) -> None:
    ET.fromstring(picture(record([])))  # noqa: S314


@given(st.lists(st.tuples(st.floats(0, 20_000), st.floats(0, 30)), max_size=20), st.floats(50, 2_000))
@example([(0.0, 5.0)], 50.0)
def test_drawn_time_never_runs_back_and_lies_within_its_band(busy: list[tuple[float, float]], width_px: float) -> None:
    found = axis([(begin, begin + length) for begin, length in busy], width_px=width_px, px_per_s=20)
    moments = sorted({time for begin, length in busy for time in (begin, begin + length)})
    assert all(found.drawn(a) <= found.drawn(b) + 1e-6 for a, b in pairwise(moments))
    for moment in moments:
        band, x = found.point(moment)
        assert 0 <= band < found.bands
        assert -1e-6 <= x <= width_px + 1e-6
    for begin, length in busy:
        pieces = list(found.pieces(begin, begin + length))
        assert pieces
        assert pieces[0].first
        assert pieces[-1].last
        assert sum(piece.width for piece in pieces) == pytest.approx(
            (found.drawn(begin + length) - found.drawn(begin)) * 20, abs=1e-3
        )


def test_what_happens_is_drawn_at_full_length_and_long_quiet_is_not() -> None:
    found = axis([(0, 4), (100, 104)], width_px=1000, px_per_s=10)
    assert found.drawn(104) - found.drawn(100) == pytest.approx(4)
    assert found.drawn(100) - found.drawn(4) == pytest.approx(5)
    assert [round(one.left_out_s) for one in found.breaks()] == [94]
