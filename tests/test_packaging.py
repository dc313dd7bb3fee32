"""The program as it is installed: from a wheel, and from a tree that is being worked on.

Each is installed into a fresh, empty environment. Libraries are borrowed from the environment that runs the tests (a
path at the end of the search path), so that nothing is downloaded again; the program itself comes from the new one.
"""

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ENVIRONMENT = {name: value for name, value in os.environ.items() if name not in {"PYTHONPATH", "PYTHONHOME"}}
"""Without the variables that would put the tree at hand before what was installed."""
SHIPPED = {kind: sorted(path.name for path in (ROOT / kind).glob("*.yaml")) for kind in ("grammars", "protocols")}


def run(*command: str | Path, cwd: Path) -> str:
    """What a command prints; a command that fails fails the test, with its output."""
    result = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=ENVIRONMENT,
        check=False,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the tree, so that nothing is built in the one at hand."""
    copy = tmp_path_factory.mktemp("tree") / "voicecoach"
    copy.mkdir()
    for name in ("voicecoach", *SHIPPED):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, copy)
    return copy


@pytest.fixture(scope="module")
def wheel(tree: Path) -> Path:
    out = tree.parent / "dist"
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", out, cwd=tree)
    (built,) = out.glob("*.whl")
    return built


def environment(folder: Path) -> Path:
    """The interpreter of a new environment, which borrows its libraries from the one that runs the tests."""
    venv.create(folder, with_pip=False, symlinks=sys.platform != "win32")
    python = folder / "bin" / "python"
    site = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=folder).strip())
    libraries = dict.fromkeys([sysconfig.get_path("purelib"), sysconfig.get_path("platlib")])
    (site / "zz-libraries.pth").write_text("\n".join(libraries) + "\n")  # after whatever pip installs there
    return python


def install(python: Path, *what: str | Path) -> None:
    command = [
        "pip",
        "--python",
        python,
        "install",
        "--quiet",
        "--no-deps",
        "--no-build-isolation",
        "--ignore-installed",
    ]
    run(sys.executable, "-m", *command, *what, cwd=python.parent)


def listed(python: Path, cwd: Path) -> dict[str, Path]:
    """Name -> file, as the installed program lists its protocols."""
    rows = json.loads(run(python.parent / "voicecoach", "protocols", "--json", cwd=cwd))
    assert all(row["title"] for row in rows)
    return {row["name"]: Path(row["file"]) for row in rows}


def test_the_wheel_contains_every_module_and_every_data_file(tree: Path, wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    for kind, files in SHIPPED.items():
        assert files
        assert {f"voicecoach/data/{kind}/{name}" for name in files} <= names
        everything = {path.relative_to(tree / kind) for path in (tree / kind).rglob("*") if path.is_file()}
        assert {f"voicecoach/data/{kind}/{path.as_posix()}" for path in everything} <= names
    package = {path.relative_to(tree).as_posix() for path in (tree / "voicecoach").rglob("*") if path.is_file()}
    assert package - names == set()
    assert {Path(name).suffix for name in package} >= {".py", ".yaml", ".html", ".css", ".sql", ".json", ".md", ".npz"}
    assert not any(name.startswith("tests/") for name in names)


def test_an_installed_wheel_finds_its_protocols_from_any_folder(wheel: Path, tmp_path: Path) -> None:
    python = environment(tmp_path / "env")
    install(python, wheel)
    away = tmp_path / "away"
    away.mkdir()
    found = listed(python, away)
    assert sorted(file.name for file in found.values()) == SHIPPED["protocols"]
    inside = (tmp_path / "env").resolve()
    assert all(file.resolve().is_relative_to(inside) for file in found.values())
    skeleton = run(python.parent / "voicecoach", "new", "made-here", cwd=away)
    assert "protocol: made-here" in skeleton


def test_an_installed_wheel_reads_its_data_files_from_any_folder(wheel: Path, tmp_path: Path) -> None:
    python = environment(tmp_path / "env")
    install(python, wheel)
    program = python.parent / "voicecoach"
    including = [name for name in SHIPPED["protocols"] if "include:" in (ROOT / "protocols" / name).read_text("utf-8")]
    assert including
    for name in including:
        assert run(program, "protocols", Path(name).stem, "--say", cwd=tmp_path)  # with the shared branches
    assert "rules of the conversation" in run(program, "help", "rules", cwd=tmp_path)
    readers = (
        "from voicecoach.listen import chance; chance.fitted('mixed'); "
        "from voicecoach.debrief.review.store import Store; Store(None); "
        "from voicecoach.debrief.exports import plain; print(plain.schema())"
    )
    assert "$schema" in run(python, "-c", readers, cwd=tmp_path)


def test_an_editable_install_finds_what_is_in_the_tree_now(tree: Path, tmp_path: Path) -> None:
    python = environment(tmp_path / "env")
    install(python, "--editable", tree)
    away = tmp_path / "away"
    away.mkdir()
    found = listed(python, away)
    assert all(file.resolve().parent == (tree / "protocols").resolve() for file in found.values())
    text = found["short-practice"].read_text(encoding="utf-8")
    added = tree / "protocols" / "added-later.yaml"
    added.write_text(text.replace("protocol: short-practice", "protocol: added-later"), encoding="utf-8")
    try:
        assert listed(python, away) == {**found, "added-later": added.resolve()}
    finally:
        added.unlink()
