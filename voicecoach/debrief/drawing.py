"""The timeline of a session as one SVG picture: lanes for the steps, each voice, and what is worn. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from html import escape

from voicecoach.debrief.axis import Axis, Piece, axis
from voicecoach.debrief.course import Rub, StepRun, course
from voicecoach.debrief.pages.html import asset, clean
from voicecoach.debrief.story import (
    DANGER,
    MARKS,
    RecordedNote,
    Utterance,
    clock,
    deaf,
    end_s,
    prompts,
    recorded_notes,
    training_only,
    utterances,
    worn,
)
from voicecoach.debrief.texts import wording
from voicecoach.record.read import Session

WIDTH, LEFT, RIGHT = 1400, 96, 24
PX_PER_S = 26.0
CHAR_PX = 5.7
MARKS_H, STAGE_H, STEPS_H, COACH_H, ROLE_H, ITEM_H, BAND_GAP = 48, 17, 32, 38, 32, 13, 30
ROLES = ("wearer", "observer", "assistant", "unknown")

HATCH = (
    '<pattern id="hatch" width="7" height="7" patternTransform="rotate(45)" patternUnits="userSpaceOnUse">'
    '<rect width="7" height="7" fill="#f4f4f4" fill-opacity=".75"/><rect width="2.2" height="7" fill="#bdbdbd"/>'
    "</pattern>"
)
LEGEND = (
    ("prompt", "coach speaks (red end: cut short)"),
    ("taken", "taken as a command"),
    ("refused", "refused"),
    ("danger", "danger word"),
    ("step weak", "not independently confirmed"),
    ("rub", "rub of full time"),
    ("rub-cut", "rub cut short"),
    ("deaf", "not hearing"),
    ("worn", "worn"),
)
ClipsBetween = Callable[[float, float], Sequence[int]]
"""Gives the numbers of the sounds kept within a stretch (s, s)."""


def picture(session: Session) -> str:
    """The whole session as an SVG document, 1400 px wide; hovering over a bar shows its whole text."""
    return _Picture(session).svg()


def inline_picture(session: Session, clips: ClipsBetween) -> str:
    """The same as part of a page with the styles of timeline.css.

    Args:
        session: the record. clips: gives the numbers of the sounds in a stretch, for `data-clips`; a bar with sounds
        can be pressed.
    """
    return _Picture(session, clips).svg()


class _Picture:
    def __init__(self, session: Session, clips: ClipsBetween | None = None) -> None:
        self.session = session
        self.inline = clips is not None
        self.words = wording(session)
        self.clips: ClipsBetween = clips or (lambda _, __: ())
        self.prompts, self.heard = prompts(session), utterances(session)
        self.notes, self.worn, self.deaf = recorded_notes(session), worn(session), deaf(session)
        self.runs = [run for run in course(session, self.notes) if run.end_s > run.begin_s]
        self.stages = _stages(self.runs)
        self.stage_h = STAGE_H if self.stages else 0
        self.roles = [role for role in ROLES if role == "wearer" or any(one.heard.role == role for one in self.heard)]
        busy = [(one.begin_s, one.end_s) for one in self.prompts] + [(one.begin_s, one.end_s) for one in self.heard]
        busy += [(note.at_s, note.at_s) for note in self.notes] + [(end_s(session), end_s(session))]
        self.axis: Axis = axis(busy, width_px=WIDTH - LEFT - RIGHT, px_per_s=PX_PER_S)
        self.items = list(dict.fromkeys(one.name for one in self.worn))
        self.marks_h = MARKS_H if any(note.what in MARKS for note in self.notes) else 20
        self.top = 30 if self.inline else 92
        self.band_h = (
            self.marks_h
            + self.stage_h
            + STEPS_H
            + COACH_H
            + ROLE_H * len(self.roles)
            + ITEM_H * len(self.items)
            + BAND_GAP
        )

    def svg(self) -> str:
        height = self.top + self.axis.bands * self.band_h
        size = f'width="{WIDTH}" height="{height}" viewBox="0 0 {WIDTH} {height}"'
        root = f'<svg xmlns="http://www.w3.org/2000/svg" class="timeline" {size}'
        if self.inline:
            begin = [f'{root} role="group" aria-label="Timeline">']
        else:
            begin = [
                f'{root} role="img"><title>Timeline of a session</title>',
                f"<style>{asset('timeline.css')}</style>",
            ]
        parts = [
            *begin,
            f"<defs>{HATCH}</defs>",
            f'<rect class="ground" width="{WIDTH}" height="{height}"/>',
            *(() if self.inline else self._head()),
            *self._legend(),
            *self._grid(),
            *self._deaf(),
            *self._steps(),
            *self._coach(),
            *self._voices(),
            *self._items(),
            *self._marks(),
            "</svg>",
        ]
        return "\n".join(parts) + "\n"

    def _y(self, band: int, lane: str) -> float:
        y: float = self.top + band * self.band_h
        lanes = [
            ("marks", self.marks_h),
            ("stage", self.stage_h),
            ("step", STEPS_H),
            ("coach", COACH_H),
            *((role, ROLE_H) for role in self.roles),
        ]
        lanes += [(f"item {item}", ITEM_H) for item in self.items]
        for name, height in lanes:
            if name == lane:
                return y
            y += height
        return y

    def _head(self) -> Iterator[str]:
        made = self.session.manifest
        yield _text(LEFT, 30, f"{made.protocol}", "head")
        length = clock(end_s(self.session))
        about = f"begun {made.begun} · {made.mode} · recogniser {made.engine} · audio {made.audio} · {length} long"
        yield _text(LEFT, 48, about, "sub")
        if training_only(self.session):
            yield f'<rect class="badge" x="{WIDTH - RIGHT - 108}" y="15" width="108" height="22" rx="4"/>'
            yield _text(WIDTH - RIGHT - 54, 30, "training only", anchor="middle")

    def _legend(self) -> Iterator[str]:
        x, y = float(LEFT), 62 if not self.inline else 6
        for css, label in LEGEND:
            yield f'<rect class="{css}" x="{x:.1f}" y="{y}" width="18" height="11" rx="2"/>'
            yield _text(x + 23, y + 9.5, label, "sub")
            x += 23 + len(label) * 6.1 + 15

    def _grid(self) -> Iterator[str]:
        for band, x, at_s in self.axis.ticks():
            y: float = self.top + band * self.band_h
            bottom = y + self.band_h - BAND_GAP
            yield f'<line class="grid" x1="{LEFT + x:.1f}" x2="{LEFT + x:.1f}" y1="{y + 12}" y2="{bottom}"/>'
            yield _text(LEFT + x + 2, y + 10, clock(at_s)[:-2], "tick")
        for band in range(self.axis.bands):
            for lane in (*(("stage",) if self.stages else ()), "step", "coach", *self.roles):
                yield _text(LEFT - 10, self._y(band, lane) + (12 if lane == "stage" else 17), lane, "lane")
            if self.items:
                yield _text(LEFT - 10, self._y(band, f"item {self.items[0]}") + 9.5, "worn", "lane")
            y = self._y(band, "stage") - 2
            yield f'<line class="base" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}"/>'
        for band, x, left_out_s in self.axis.breaks():
            y = self._y(band, "coach")
            label = f"{left_out_s:.0f} s" if left_out_s < 120 else f"{left_out_s / 60:.0f} min"
            for shift in (-3, 3):
                xs = LEFT + x + shift
                yield f'<path d="M{xs - 4:.1f} {y + 24} L{xs + 4:.1f} {y + 2}" class="away"/>'
            yield _text(LEFT + x, y + 36, f"{label} left out", "tick", "middle")

    def _steps(self) -> Iterator[str]:
        for stage, begin_s, end_s_ in self.stages:
            name = self.words.stage(stage)
            for piece in self.axis.pieces(begin_s, end_s_):
                y = self._y(piece.band, "stage")
                yield _bar("stage", piece, y, 14, f"{name}: from {clock(begin_s)} to {clock(end_s_)}", round_px=2)
                yield _fitted(piece, y + 11, name, piece.width - 8, "stage-name")
        for index, run in enumerate(self.runs):
            css = ("step2" if index % 2 else "step") + ("" if run.independent else " weak")
            full = _describe_run(run, self.words.step(run.name))
            clips = self.clips(run.begin_s, run.end_s)
            for piece in self.axis.pieces(run.begin_s, run.end_s):
                y = self._y(piece.band, "step")
                yield _playable(_bar(css, piece, y, 20, full, round_px=2), clips, full)
                yield _fitted(piece, y + 14, self.words.step(run.name), piece.width - 8)
            for rub in run.rubs:
                yield from self._rub(rub)

    def _rub(self, rub: Rub) -> Iterator[str]:
        css, label = ("rub-cut", "cut short") if rub.cut_short else ("rub", "full time")
        for piece in self.axis.pieces(rub.begin_s, rub.begin_s + rub.kept_s):
            y = self._y(piece.band, "step") + 22
            yield _bar(css, piece, y, 6, f"rub of {rub.kept_s:.0f} s, {label}", round_px=2, least_px=3)

    def _coach(self) -> Iterator[str]:
        drawn = [(piece, one) for one in self.prompts for piece in self.axis.pieces(one.begin_s, one.end_s)]
        for index, (piece, prompt) in enumerate(drawn):
            y = self._y(piece.band, "coach")
            yield _bar("prompt", piece, y, 28, f"{clock(prompt.begin_s)} {prompt.text}")
            if piece.last and not prompt.complete and prompt.end_s > prompt.begin_s:
                x = LEFT + piece.x + piece.width
                yield f'<path class="cut" d="M{x:.1f} {y} l-4 7 l4 7 l-4 7 l4 7"/>'
            if piece.first or piece.width > 40:
                after = drawn[index + 1][0] if index + 1 < len(drawn) else None
                for row, text in enumerate(_wrap(prompt.text, _room(piece, after), 2)):
                    yield _text(LEFT + piece.x + 4, y + 12 + 12 * row, text)
        for line in self.session.lines:
            if line.kind == "effect" and line.data.get("effect") == "tone":
                band, x = self.axis.point(line.at_s)
                tone = str(line.data.get("tone", ""))
                css = "alarm" if tone == "outward-alarm" else "tone"
                y = self._y(band, "coach") + 33
                title = _title("tone: " + tone.replace("-", " "))
                yield f'<circle class="{css}" cx="{LEFT + x:.1f}" cy="{y}" r="2.6">{title}</circle>'

    def _voices(self) -> Iterator[str]:
        for role in self.roles:
            said = sorted((one for one in self.heard if one.heard.role == role), key=lambda one: one.begin_s)
            drawn = [(piece, one) for one in said for piece in self.axis.pieces(one.begin_s, one.end_s)]
            for index, (piece, one) in enumerate(drawn):
                y = self._y(piece.band, role)
                css, words, text_css = _look(one)
                full = f"{clock(one.begin_s)} {role}: {words}"
                bar = _bar(css, piece, y, 24, full, least_px=4)
                yield _playable(bar, self.clips(one.begin_s, max(one.end_s, one.begin_s + 0.05)), full)
                after = drawn[index + 1][0] if index + 1 < len(drawn) else None
                if piece.first:
                    for text in _wrap(words, _room(piece, after), 1):
                        yield _text(LEFT + piece.x + 4, y + 16, text, text_css)

    def _items(self) -> Iterator[str]:
        for one in self.worn:
            for piece in self.axis.pieces(one.begin_s, one.end_s):
                y = self._y(piece.band, f"item {one.name}")
                label = self.words.item(one.name)
                full = f"{label} on from {clock(one.begin_s)} to {clock(one.end_s)}"
                yield _bar("worn", piece, y + 1, 10, full, round_px=2)
                if piece.width > len(label) * CHAR_PX:
                    yield _text(LEFT + piece.x + 4, y + 9.3, label, "item")

    def _deaf(self) -> Iterator[str]:
        for one in self.deaf:
            for piece in self.axis.pieces(one.begin_s, one.end_s):
                y = self._y(piece.band, "coach")
                yield _bar("deaf", piece, y - 2, self._y(piece.band, "") - y, f"{one.name}: {one.why}", round_px=0)

    def _describe(self, note: RecordedNote) -> str:
        """A note in words."""
        label = self.words.particulars(note.details)
        return f"{note.title}: {label}" if label else note.title

    def _marks(self) -> Iterator[str]:
        free: dict[tuple[int, int], float] = {}
        for note in self.notes:
            mark = MARKS.get(note.what)
            if mark is None:
                continue
            band, x = self.axis.point(note.at_s)
            row = min((0, 1), key=lambda row: (x < free.get((band, row), 0.0), row))
            y = self._y(band, "marks") + 15 * row
            yield _sign(mark, LEFT + x, y + 21, f"{clock(note.at_s)} {self._describe(note)}")
            room = max(0, int((WIDTH - RIGHT - LEFT - x - 10) / CHAR_PX))
            if x >= free.get((band, row), 0.0):
                label = _short(self._describe(note), min(room, 44))
                yield _text(LEFT + x + 9, y + 25, label, "loud" if mark == "breach" else "")
                free[band, row] = x + 18 + len(label) * CHAR_PX * 1.08
            if mark == "breach":
                bottom = self._y(band, "")
                yield (
                    f'<line class="breach-line" x1="{LEFT + x:.1f}" x2="{LEFT + x:.1f}" y1="{y + 27}" y2="{bottom}"/>'
                )


def _stages(runs: Sequence[StepRun]) -> list[tuple[str, float, float]]:
    """Stretches of one stage: (stage, begin s, end s)."""
    found: list[tuple[str, float, float]] = []
    for run in runs:
        if not run.stage:
            continue
        if found and found[-1][0] == run.stage:
            found[-1] = (run.stage, found[-1][1], run.end_s)
        else:
            found.append((run.stage, run.begin_s, run.end_s))
    return found


def _describe_run(run: StepRun, say: str) -> str:
    label = f"{say}: {clock(run.begin_s)} to {clock(run.end_s)}, {run.outcome}"
    if run.by:
        label += f" by {run.by}"
    return label + ("" if run.independent else ", not independently confirmed")


def _playable(bar: str, clips: Sequence[int], full: str) -> str:
    """`bar` as a button that plays its sounds; unchanged if there are none."""
    if not clips:
        return bar
    numbers, label = " ".join(map(str, clips)), _clean(full)
    return (
        f'<g role="button" tabindex="0" aria-pressed="false" data-clips="{numbers}" data-title="{label}" '
        f'aria-label="Play {label}">{bar}</g>'
    )


def _look(one: Utterance) -> tuple[str, str, str]:
    heard = one.heard
    if heard.command in DANGER:
        return "danger", str(heard.command).replace("-", " "), "loud"
    if heard.command is not None:
        return "taken", heard.command.replace("-", " "), ""
    near = f" near {heard.near}" if heard.near else ""
    return "refused", (heard.phrase or "?") + near, "quiet"


def _sign(mark: str, x: float, y: float, full: str) -> str:
    shapes = {
        "breach": f"M{x:.1f} {y - 6} l6.5 11 h-13 z",
        "deviation": f"M{x:.1f} {y - 6} l6 6 l-6 6 l-6 -6 z",
        "refused": f"M{x - 5:.1f} {y - 5} h10 v10 h-10 z",
        "not-independent": f"M{x - 5:.1f} {y} a5 5 0 1 0 10 0 a5 5 0 1 0 -10 0 z",
    }
    css = f"m-{mark}" if mark in shapes else "m-other"
    path = shapes.get(mark, f"M{x - 3.5:.1f} {y} a3.5 3.5 0 1 0 7 0 a3.5 3.5 0 1 0 -7 0 z")
    return f'<path class="{css}" d="{path}">{_title(full)}</path>'


def _bar(css: str, piece: Piece, y: float, height: float, full: str, *, round_px: int = 4, least_px: float = 1) -> str:
    width = max(piece.width, least_px)
    return (
        f'<rect class="{css}" x="{LEFT + piece.x:.1f}" y="{y}" width="{width:.1f}" height="{height}" '
        f'rx="{round_px}">{_title(full)}</rect>'
    )


def _room(piece: Piece, after: Piece | None) -> float:
    end = float(WIDTH - RIGHT - LEFT)
    if after is not None and after.band == piece.band:
        end = after.x
    return end - piece.x - 6


def _fitted(piece: Piece, y: float, text: str, room_px: float, css: str = "") -> str:
    label = _short(text, int(room_px / CHAR_PX))
    return _text(LEFT + piece.x + 5, y, label, css) if label else ""


def _wrap(text: str, room_px: float, rows: int) -> Sequence[str]:
    letters = int(room_px / CHAR_PX)
    found: list[str] = []
    words = text.split()
    while words and len(found) < rows:
        if len(found) == rows - 1:
            found.append(_short(" ".join(words), letters))
            break
        row = ""
        while words and len(row) + len(words[0]) <= letters:
            row += words.pop(0) + " "
        if not row:
            found.append(_short(" ".join(words), letters))
            break
        found.append(row.strip())
    return [row for row in found if row]


def _short(text: str, letters: int) -> str:
    if len(text) <= letters:
        return text
    return text[: letters - 1].rstrip() + "…" if letters >= 3 else ""


def _title(text: str) -> str:
    return f"<title>{_clean(text)}</title>"


def _text(x: float, y: float, text: str, css: str = "", anchor: str = "") -> str:
    style = (f' class="{css}"' if css else "") + (f' text-anchor="{anchor}"' if anchor else "")
    return f'<text x="{x:.1f}" y="{y:.1f}"{style}>{_clean(text)}</text>'


def _clean(text: str) -> str:
    return escape(clean(text).replace("\n", " "))
