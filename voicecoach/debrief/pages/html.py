"""Pages by Jinja2: everything escaped, styles and scripts inline, and a policy under which nothing else runs or loads.

Texts come from records, which may contain anything. Jinja2 escapes HTML; control characters and bidirectional marks
are shown by their codes, and lone surrogates, which cannot be encoded, as U+FFFD.
"""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

_BIDIRECTIONAL = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Characters that change the direction in which others are displayed."""


def clean(text: str) -> str:
    """The text with every invisible character made visible."""
    if text.isprintable() and not any("\ud800" <= c <= "\udfff" for c in text):
        return text
    return "".join(_shown(c) for c in text)


def _shown(c: str) -> str:
    if c == "\n":
        return c
    if c < " ":
        return chr(0x2400 + ord(c))  # the control pictures
    if "\ud800" <= c <= "\udfff":
        return "\ufffd"
    if c in _BIDIRECTIONAL or "\x7f" <= c < "\xa0" or c in "\ufffe\uffff\u2028\u2029":
        return f"[U+{ord(c):04X}]"
    return c


def _finalize(value: object) -> object:
    if isinstance(value, Markup):
        return value
    return clean(value) if isinstance(value, str) else value


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("voicecoach", "debrief/pages/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["asset"] = lambda name: Markup(asset(name))  # noqa: S704  our own files
    made.filters["clean"] = clean
    return made


@cache
def asset(name: str) -> str:
    """The text of a shipped style sheet or script."""
    return (resources.files("voicecoach") / "debrief" / "pages" / "templates" / name).read_text(encoding="utf-8")


def render(
    template: str, *, styles: tuple[str, ...], scripts: tuple[str, ...] = (), media: str = "", **values: Any
) -> str:
    """A complete page.

    Args:
        template: its file. styles, scripts: files to include, in this order. media: other sources of sound than the
        page itself, as the policy writes them ('' for none). values: for the template.
    """
    css, js = ("".join(asset(name) for name in names) for names in (styles, scripts))
    policy = [
        "default-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
        f"style-src 'sha256-{_digest(css)}'",
        f"media-src data: {media}".rstrip(),
        "img-src data:",
    ]
    if js:
        policy.append(f"script-src 'sha256-{_digest(js)}'")
    return (
        _environment()
        .get_template(template)
        .render(style=Markup(css), script=Markup(js), policy="; ".join(policy), **values)  # noqa: S704  our own files
    )


def safe(html: str) -> Markup:
    """Mark HTML or SVG of our own making, with all text escaped, as safe."""
    return Markup(html)  # noqa: S704 the caller vouches for it


def data_json(value: Any) -> Markup:
    """A value as JSON for the inside of a script element."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True)
    inert = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return Markup(inert)  # noqa: S704 without < > & it is inert in HTML


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
