import functools
import hashlib
import http.server
import threading
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from voicecoach.errors import InputError, VoicecoachError
from voicecoach.listen import registry, vosk_model
from voicecoach.listen.registry import EngineState, choose
from voicecoach.listen.vosk_model import NAME, DownloadProgress, Fetcher

FILES = {"am/final.mdl": b"a" * 5000, "conf/mfcc.conf": b"c", "graph/HCLr.fst": b"g" * 100, "README": b"small"}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(vosk_model, "folder", lambda: tmp_path / "models")
    monkeypatch.delenv(vosk_model.VARIABLE, raising=False)
    return tmp_path / "models"


def pack(path: Path, files: dict[str, bytes] | None = None, top: str = NAME) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr(f"{top}/", b"")
        for name, data in (files or FILES).items():
            made.writestr(f"{top}/{name}", data)
    return path


def from_file(source: Path) -> Fetcher:
    def fetch(part: Path, progress: DownloadProgress | None) -> Path:
        if progress:
            progress(1, 1)
        copy = part / "fetched.zip"
        copy.write_bytes(source.read_bytes())
        return copy

    return fetch


def never(part: Path, progress: DownloadProgress | None) -> Path:
    raise AssertionError("nothing should be fetched")


def test_the_figures_of_the_publisher_s_file_are_the_known_ones() -> None:
    # name, size and digest as in independent public copies of the file's checksum
    assert vosk_model.URL == "https://alphacephei.com/vosk/models/vosk-model-small-en-us-0.15.zip"
    assert vosk_model.SIZE == 41_205_931
    assert vosk_model.SHA256 == "30f26242c4eb449f948e42cb302dd7a686cb29a3423a8367f99ff41780942498"


def test_the_model_is_unpacked_in_one_step_and_found_again(home: Path, tmp_path: Path) -> None:
    assert vosk_model.find() is None
    found = vosk_model.get(fetch=from_file(pack(tmp_path / "m.zip")))
    assert found == vosk_model.where() == vosk_model.find() == home / NAME
    assert {name: (found / name).read_bytes() for name in FILES} == FILES
    assert [path.name for path in home.iterdir()] == [NAME]
    assert vosk_model.verify() == []
    assert vosk_model.get(fetch=never) == found


def test_what_an_interrupted_attempt_left_is_swept(home: Path, tmp_path: Path) -> None:
    (home / ".part-abc" / "unpacked").mkdir(parents=True)
    (home / ".part-abc" / "tmpfile").write_bytes(b"half")
    vosk_model.get(fetch=from_file(pack(tmp_path / "m.zip")))
    assert [path.name for path in home.iterdir()] == [NAME]


def test_nothing_is_left_when_the_fetching_fails(home: Path) -> None:
    def fails(part: Path, progress: DownloadProgress | None) -> Path:
        (part / "half").write_bytes(b"half")
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="cannot be written: No space left on device"):
        vosk_model.get(fetch=fails)
    assert list(home.iterdir()) == []
    assert vosk_model.find() is None


def test_a_damaged_model_is_named_by_file_and_fetched_again(home: Path, tmp_path: Path) -> None:
    source = from_file(pack(tmp_path / "m.zip"))
    vosk_model.get(fetch=source)
    (home / NAME / "README").write_bytes(b"other")
    (home / NAME / "graph" / "HCLr.fst").unlink()
    assert vosk_model.verify() == ["graph/HCLr.fst: No such file or directory", "README: was changed"]
    vosk_model.get(fetch=source)
    assert vosk_model.verify() == []
    assert [path.name for path in home.iterdir()] == [NAME]


def test_verifying_what_is_not_there_says_how_to_get_it() -> None:
    with pytest.raises(InputError, match=r"no model has been fetched \(run voicecoach model get\)"):
        vosk_model.verify()


@pytest.mark.parametrize(
    "name",
    [
        f"{NAME}/../evil",
        "../evil",
        "/evil",
        "evil",
        "other/evil",
        f"{NAME}/..\\evil",
        f"{NAME}/a:b",
        f"{NAME}/x/../../../e",
    ],
)
def test_a_file_that_would_land_elsewhere_is_refused(home: Path, tmp_path: Path, name: str) -> None:
    path = pack(tmp_path / "m.zip")
    with zipfile.ZipFile(path, "a") as made:
        made.writestr(name, b"evil")
    with pytest.raises(InputError, match="has a file that may not be unpacked"):
        vosk_model.get(fetch=from_file(path))
    assert list(home.iterdir()) == []
    assert not list(tmp_path.rglob("*evil*"))


def test_a_link_in_the_zip_is_refused(tmp_path: Path) -> None:
    path = pack(tmp_path / "m.zip")
    with zipfile.ZipFile(path, "a") as made:
        link = zipfile.ZipInfo(f"{NAME}/link")
        link.external_attr = 0o120777 << 16
        made.writestr(link, "/etc/passwd")
    with pytest.raises(InputError, match="may not be unpacked"):
        vosk_model.get(fetch=from_file(path))


def test_a_file_named_twice_is_refused(tmp_path: Path) -> None:
    path = pack(tmp_path / "m.zip")
    with zipfile.ZipFile(path, "a") as made, pytest.warns(UserWarning, match="Duplicate"):
        made.writestr(f"{NAME}/README", b"again")
    with pytest.raises(InputError, match="has 'README' twice"):
        vosk_model.get(fetch=from_file(path))


def test_a_damaged_zip_is_refused(tmp_path: Path) -> None:
    path = pack(tmp_path / "m.zip")
    data = bytearray(path.read_bytes())
    data[data.index(b"am/final.mdl") + 20] ^= 0xFF
    path.write_bytes(data)
    with pytest.raises(InputError, match="is damaged"):
        vosk_model.get(fetch=from_file(path))
    path.write_bytes(b"<html>not here</html>")
    with pytest.raises(InputError, match="is damaged"):
        vosk_model.get(fetch=from_file(path))


def test_a_zip_without_a_model_is_refused(tmp_path: Path) -> None:
    path = pack(tmp_path / "m.zip", {"README": b"only"})
    with pytest.raises(InputError, match="does not hold a Vosk model"):
        vosk_model.get(fetch=from_file(path))


def test_a_zip_that_unpacks_to_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(vosk_model, "MAX_UNPACKED", 1000)
    with pytest.raises(InputError, match="unpacks to too much"):
        vosk_model.get(fetch=from_file(pack(tmp_path / "m.zip")))


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A web server that has the publisher's file, which is known by its size and digest."""
    site = tmp_path / "site"
    site.mkdir()
    zipped = pack(site / f"{NAME}.zip")
    handler = functools.partial(Quiet, directory=str(site))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        monkeypatch.setattr(vosk_model, "URL", f"http://127.0.0.1:{server.server_port}/{NAME}.zip")
        monkeypatch.setattr(vosk_model, "SIZE", zipped.stat().st_size)
        monkeypatch.setattr(vosk_model, "SHA256", hashlib.sha256(zipped.read_bytes()).hexdigest())
        yield zipped
        server.shutdown()


def test_the_file_is_fetched_checked_and_reported(served: Path, home: Path, capfd: pytest.CaptureFixture[str]) -> None:
    reports: list[tuple[int, int]] = []
    assert vosk_model.get(progress=lambda done, total: reports.append((done, total))) == home / NAME
    size = served.stat().st_size
    assert reports[-1] == (size, size)
    assert all(0 <= done <= total for done, total in reports)
    assert [path.name for path in home.iterdir()] == [NAME]
    assert capfd.readouterr() == ("", "")


def test_another_file_under_that_name_is_refused(served: Path, home: Path) -> None:
    pack(served, {**FILES, "README": b"other"})
    with pytest.raises(InputError, match="is not the expected file"):
        vosk_model.get()
    assert list(home.iterdir()) == []


def test_a_file_that_is_not_there_is_one_line_with_the_way_out(served: Path, home: Path) -> None:
    served.unlink()
    with pytest.raises(InputError, match=r"cannot be fetched: 404.*name the folder with --model") as caught:
        vosk_model.get()
    assert "\n" not in str(caught.value)
    assert list(home.iterdir()) == []


def make_model(path: Path) -> Path:
    for name, data in FILES.items():
        (path / name).parent.mkdir(parents=True, exist_ok=True)
        (path / name).write_bytes(data)
    return path


def test_a_named_folder_wins_over_the_variable_and_that_over_the_fetched_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    vosk_model.get(fetch=from_file(pack(tmp_path / "m.zip")))
    one, two = make_model(tmp_path / "one"), make_model(tmp_path / "two")
    assert vosk_model.find() == vosk_model.where()
    monkeypatch.setenv(vosk_model.VARIABLE, str(one))
    assert vosk_model.find() == one
    assert vosk_model.find(str(two)) == two


@pytest.mark.parametrize("option", ["--model", "VOICECOACH_VOSK_MODEL"])
def test_a_named_folder_that_is_not_a_model_is_refused_even_if_another_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, option: str
) -> None:
    vosk_model.get(fetch=from_file(pack(tmp_path / "m.zip")))
    if option != "--model":
        monkeypatch.setenv(option, str(tmp_path))
    with pytest.raises(InputError) as caught:
        vosk_model.find(str(tmp_path) if option == "--model" else None)
    assert str(caught.value) == (
        f"{option} {tmp_path}: is not a Vosk model; expected a folder with am/final.mdl, conf/mfcc.conf, graph/HCLr.fst"
    )


def has(*packages: str) -> Callable[[str], bool]:
    return lambda name: name in packages


@pytest.mark.parametrize(
    ("here", "asked", "got"),
    [
        ("vosk hama model", "auto", "vosk"),
        ("vosk hama", "auto", "phonemes"),
        ("hama model", "auto", "phonemes"),
        ("vosk hama model", "phonemes", "phonemes"),
        ("vosk hama model", "typed", "typed"),
        ("", "typed", "typed"),
        ("vosk", "auto", "engine auto: mixed cannot run here: phonemes cannot run here: the package hama"),
        ("vosk hama", "vosk", "engine vosk: vosk cannot run here: there is no model (voicecoach model get"),
        ("hama model", "vosk", "engine vosk: vosk cannot run here: the package vosk is not installed (python -m pip"),
        ("hama", "ears", "--engine: 'ears' is not an engine; expected one of auto, mixed, vosk, phonemes"),
    ],
)
def test_an_engine_is_chosen_as_asked_or_refused_with_what_would_mend_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, here: str, asked: str, got: str
) -> None:
    monkeypatch.setattr(registry, "_installed", has(*here.split()))
    if "model" in here:
        vosk_model.get(fetch=from_file(pack(tmp_path / "m.zip")))
    try:
        answer = choose(asked).name
    except VoicecoachError as error:
        answer = str(error)
    assert answer == got or (":" in got and answer.startswith(got))


def test_every_engine_is_listed_with_its_state_and_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "_installed", has("vosk"))
    states = registry.engines()
    assert [(state.name, state.can_run, bool(state.mend)) for state in states] == [
        ("mixed", False, True),
        ("vosk", False, True),
        ("phonemes", False, True),
        ("moonshine", False, True),
        ("typed", True, False),
    ]
    assert all(isinstance(state, EngineState) and state.detail for state in states)


def test_a_child_is_told_which_model_to_load(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "_installed", has("vosk", "hama"))
    named = make_model(tmp_path / "named")
    spec = registry.spec("auto", "text", "en.yaml", model=str(named), roles={0: "wearer", 1: "observer"})
    assert (spec.engine, spec.model, spec.roles) == ("vosk", str(named), ((0, "wearer"), (1, "observer")))
    assert registry.spec("phonemes", "text", "en.yaml").model == ""
    with pytest.raises(InputError, match="'typed' does not listen to sound"):
        registry.spec("typed", "text", "en.yaml")


def test_a_fetch_that_drips_or_does_not_end_is_given_up() -> None:
    reports: list[tuple[int, int]] = []
    clock = [0.0]
    bar = vosk_model._Bar(lambda done, total: reports.append((done, total)), lambda: clock[0])
    bar.update(1000)
    assert reports == [(1000, vosk_model.SIZE)]
    clock[0] = vosk_model.WITHIN_S + 1
    with pytest.raises(OSError, match="took longer than 30 minutes: got 2,000 of"):
        bar.update(1000)
    with pytest.raises(OSError, match="is larger than"):
        vosk_model._Bar(lambda *_: None, lambda: 0.0).update(2 * vosk_model.SIZE)
