"""What is handed out: the wheel and the source package hold all that the program needs, and work without a checkout."""

import json
import os
import re
import socket
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import urllib.request
import venv
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pytest
from setuptools import Distribution
from setuptools.config.pyprojecttoml import apply_configuration

ROOT = Path(__file__).parents[1]
PACKAGES = ("vision", "tracker", "sample_images")
# Pictures for the tests and the docs; the demo needs the others.
STAY_HERE = {
    f"sample_images/{name}.jpg"
    for name in ("bottom_view", "card_lot", "logic_lot", "mixed_bench", "soic_lot", "swab_after", "swab_before")
}
BUILD = "import sys; from setuptools import build_meta; getattr(build_meta, sys.argv[1])(sys.argv[2])"


def kept() -> list[str]:
    """Return every file that is kept with the sources, as git lists them."""
    ran = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if ran.returncode:
        pytest.skip("this is no checkout: nobody says which files belong to the sources")
    return [name for name in ran.stdout.decode().split("\0") if name and (ROOT / name).is_file()]


def needed(names: Sequence[str]) -> set[str]:
    """Return those of them that the installed program must have."""
    return {name for name in names if PurePosixPath(name).parts[0] in PACKAGES} - STAY_HERE


def test_every_data_file_of_the_packages_goes_into_the_wheel(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    build = apply_configuration(Distribution(), ROOT / "pyproject.toml").get_command_obj("build_py")
    build.ensure_finalized()
    found = {f"{Path(source).as_posix()}/{name}" for _, source, _, names in build.data_files for name in names}
    assert {name for name in needed(kept()) if not name.endswith(".py")} <= found
    assert not found & STAY_HERE


def test_every_folder_with_a_module_is_a_package(monkeypatch: pytest.MonkeyPatch) -> None:
    # A folder without __init__.py works from a checkout and is left out of the wheel.
    monkeypatch.chdir(ROOT)
    packages = set(apply_configuration(Distribution(), ROOT / "pyproject.toml").packages)
    modules = [PurePosixPath(name) for name in needed(kept()) if name.endswith(".py")]
    assert {".".join(path.parent.parts) for path in modules} <= packages


def test_what_is_said_of_python_and_version_agrees() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    said = re.findall(r"Python :: (3\.\d+)", "\n".join(project["classifiers"]))
    assert said == ["3.11", "3.13"]
    assert project["requires-python"] == f">={said[0]}"
    changes = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert next(one for one in changes if one != "Unreleased") == project["version"]
    assert "://" not in json.dumps(project)


@dataclass(frozen=True)
class Installed:
    """The program installed from its wheel into an environment of its own, and a folder away from the checkout."""

    python: Path
    folder: Path
    wheel: Path
    source: Path

    def run(self, *words: object, code: int = 0) -> str:
        """Run `lotproof` there and return what it printed; another exit code than `code` fails the test."""
        command = [str(self.python.with_name("lotproof")), *map(str, words)]
        ran = subprocess.run(
            command, cwd=self.folder, env=self.environment, capture_output=True, text=True, check=False
        )
        assert ran.returncode == code, (words, ran.stdout, ran.stderr)
        return ran.stdout

    @property
    def environment(self) -> dict[str, str]:
        """Nothing of the checkout, and the folder as the user's home."""
        home = {"HOME": self.folder, "XDG_DATA_HOME": self.folder / "data", "XDG_CONFIG_HOME": self.folder / "config"}
        bare = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "LOTPROOF_W"))}
        return {**bare, **{name: str(path) for name, path in home.items()}}


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """Build the source package from what is kept, the wheel from that, and install it.

    The libraries are those of the tests, by a line with their folder: a folder named so takes no part in what hangs in
    there, such as the finder that leads to the checkout.
    """
    folder = tmp_path_factory.mktemp("release")
    for name in kept():
        target = folder / "checkout" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes((ROOT / name).read_bytes())
    (source,) = _built("build_sdist", folder / "checkout", folder / "handed-out")
    with tarfile.open(source) as packed:
        packed.extractall(folder / "unpacked", filter="data")
    (unpacked,) = (folder / "unpacked").iterdir()
    (wheel,) = _built("build_wheel", unpacked, folder / "wheels")
    environment = folder / "environment"
    venv.create(environment, with_pip=False, symlinks=True)
    python = environment / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--no-deps", "--no-index"]
    subprocess.run([*pip, str(wheel)], check=True)
    (libraries,) = environment.glob("lib/python*/site-packages")
    (libraries / "libraries_of_the_tests.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    (folder / "desk").mkdir()
    return Installed(python, folder / "desk", wheel, source)


def _built(what: str, checkout: Path, target: Path) -> list[Path]:
    target.mkdir()
    subprocess.run([sys.executable, "-c", BUILD, what, str(target)], cwd=checkout, check=True, capture_output=True)
    return list(target.iterdir())


@pytest.mark.sweep
def test_the_wheel_made_from_the_source_package_holds_what_it_must(installed: Installed) -> None:
    with zipfile.ZipFile(installed.wheel) as packed:
        inside = {name for name in packed.namelist() if ".dist-info/" not in name}
        said = packed.read(next(name for name in packed.namelist() if name.endswith("/METADATA"))).decode()
        assert any(name.endswith("licenses/LICENSE") for name in packed.namelist())
    assert inside == needed(kept())
    assert "Description-Content-Type: text/markdown" in said
    assert "# Lotproof" in said
    with tarfile.open(installed.source) as packed_source:
        names = {name.partition("/")[2] for name in packed_source.getnames()}
    assert {name for name in kept() if not name.startswith(".")} <= names


@pytest.mark.sweep
def test_nothing_is_taken_from_a_checkout(installed: Installed) -> None:
    program = "import tracker, vision, sample_images as s\nfor m in (tracker, vision, s): print(m.__file__)"
    ran = subprocess.run(
        [str(installed.python), "-c", program],
        cwd=installed.folder,
        env=installed.environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert all(Path(line).is_relative_to(installed.python.parents[1]) for line in ran.stdout.splitlines())
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert installed.run("--version") == f"lotproof {version}\n"
    assert "doctor" in installed.run("--help")


@pytest.mark.sweep
def test_the_installed_program_does_the_whole_job(installed: Installed) -> None:
    assert json.loads(installed.run("doctor", "--json"))["works"] is True
    told = json.loads(installed.run("demo", "--json"))
    assert told["verify"]["sound"] is True
    picture = next(installed.python.parents[1].glob("lib/python*/site-packages/sample_images/authorised_lot.jpg"))
    seen = json.loads(installed.run("inspect", picture, "--json"))
    assert "CV6522AP" in json.dumps(seen)
    installed.run("receive", "--seller", "Chips & More", "--part", "CV6522AP", "--quantity", "3", "--workspace", "own")
    installed.run("dossier", "L0002", "--workspace", "demo-workspace", "--to", "proof")
    assert {path.suffix for path in (installed.folder / "proof").iterdir()} == {".html", ".pdf"}


@pytest.mark.sweep
def test_the_installed_program_serves_its_pages(installed: Installed) -> None:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    command = [str(installed.python.with_name("lotproof")), "serve", "--workspace", "pages", "--port", str(port)]
    served = subprocess.Popen(
        command,
        cwd=installed.folder,
        env=installed.environment,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert served.stderr is not None
        assert any("Ctrl-C ends it" in line for line in served.stderr)
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/") as answer:
            page = answer.read().decode()
        assets = re.findall(r'(?:src|href)="(/static/[^"]+)"', page)
        assert any(".css" in name for name in assets)
        for name in assets:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{name}") as answer:
                assert answer.read()
    finally:
        served.kill()
        served.communicate()
