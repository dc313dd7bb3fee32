"""Finds grammars, protocols and site files: shipped ones by name, others by path."""

from __future__ import annotations

from dataclasses import replace
from importlib import resources
from pathlib import Path

from voicecoach import grammar as grammars
from voicecoach.errors import InputError
from voicecoach.protocol import include
from voicecoach.protocol import load as protocols
from voicecoach.protocol import site as sites
from voicecoach.protocol.model import Protocol
from voicecoach.session.setup import Setup
from voicecoach.system.files import is_file, is_folder, read_bounded

MAX_BYTES = 2_000_000


def folder(kind: str) -> Path:
    """The folder of 'grammars' or 'protocols': inside an installed package, beside an editable one."""
    inside = Path(str(resources.files("voicecoach"))) / "data" / kind
    return inside if inside.is_dir() else Path(__file__).parents[2] / kind


def names(kind: str) -> list[Path]:
    """The shipped YAML files, in order of their names."""
    return sorted(folder(kind).glob("*.yaml"))


def find(kind: str, name: str) -> Path:
    """The file that `name` stands for: an existing path, or the name of a shipped file.

    Raises:
        InputError: neither exists.
    """
    path = Path(name)
    if is_file(path):
        return path
    bundled = folder(kind) / f"{name}.yaml"
    if path.name == name and is_file(bundled):
        return bundled
    if name and is_folder(path):
        raise InputError("is a folder", where=name, expected=f"the file of a {kind[:-1]}")
    known = ", ".join(file.stem for file in names(kind))
    raise InputError(f"there is no {kind[:-1]} {name!r}", expected=f"a file, or one of {known}")


def read_text(path: Path, expected: str = "a YAML file") -> str:
    """The file's text. expected: for messages.

    Raises:
        InputError: it cannot be read, is too large, or is not UTF-8.
    """
    try:
        return read_bounded(path, MAX_BYTES, expected).decode("utf-8")
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", where=str(path), expected=expected) from None


def load_grammar(name: str) -> tuple[grammars.Grammar, str]:
    """A grammar and its text."""
    path = find("grammars", name)
    text = read_text(path)
    return grammars.parse(text, path.name), text


def completed(setup: Setup) -> Setup:
    """A setup from an older record, with sentences that its grammar lacks taken from today's grammar."""
    try:
        today, _ = load_grammar(setup.grammar.name)
    except InputError:
        return setup
    if today.language != setup.grammar.language:
        return setup
    says = dict(today.says) | dict(setup.grammar.says)
    return replace(setup, grammar=replace(setup.grammar, says=tuple(says.items())))


def load_protocol(name: str) -> tuple[Protocol, str]:
    """A protocol and its text, with the shared texts it includes at the end."""
    path = find("protocols", name)
    text = read_text(path)
    wanted = [part for part in include.wanted(text, path.name) if part not in include.split(text)[1]]
    found = {part: shared for part in wanted if (shared := _shared(path, part)) is not None}
    text = include.whole(text, {part: read_text(file) for part, file in found.items()})
    return protocols.load(text, path.name), text


def _shared(protocol: Path, name: str) -> Path | None:
    """A shared file: from the folder 'shared' beside the protocol, or a shipped one."""
    if Path(name).name != name:
        return None
    beside, bundled = (place / "shared" / f"{name}.yaml" for place in (protocol.parent, folder("protocols")))
    return next((file for file in (beside, bundled) if file.is_file()), None)


def load_site(name: str) -> tuple[sites.Site, str]:
    """A site file and its text; the empty site for ''."""
    if not name:
        return sites.NO_SITE, ""
    path = Path(name)
    text = read_text(path)
    return sites.load(text, path.name), text
