"""A build on other machines: a real scheduler and two worker processes on loopback."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drillgen.cli import main
from drillgen.pack.files import PackError
from drillgen.pack.recording import here
from drillgen.sound.soundfonts import choose
from tests.conftest import Run
from tests.pack.building import BARE, LONG, contents, lesson, started, tracks, until
from tests.pack.conftest import embedded_soundfont

# Imported where it is needed: that takes a second, and each worker of the tests reads this file.
pytestmark = pytest.mark.skipif(
    find_spec("distributed") is None, reason="the extra `cluster` is not installed"
)


@contextmanager
def dask(command: str, *arguments: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process of Dask's, ended at the end."""
    process = subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{command}", "--no-dashboard", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)} | environment,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A scheduler's address."""
    card = tmp_path_factory.mktemp("dask") / "scheduler.json"
    with dask("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(card)):
        until(lambda: card.exists() and card.read_text().strip().endswith("}"))
        yield json.loads(card.read_text())["address"]


def build(tmp_path: Path, address: str) -> Result:
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: 360"})
    return CliRunner().invoke(
        main, ["build", str(plan), "-o", str(tmp_path / "out"), "--cluster", address]
    )


def test_nobody_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scheduler: str) -> None:
    """No scheduler at the address, and a scheduler that has no workers yet: said plainly."""
    with monkeypatch.context() as patch, socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        patch.setattr("drillgen.pack.workers._PATIENCE", 0.5)
        done = build(tmp_path, f"127.0.0.1:{port}")
    assert done.exit_code == 2
    assert f"no Dask scheduler answers at tcp://127.0.0.1:{port}" in done.output
    from distributed import Client

    wait = Client.wait_for_workers
    monkeypatch.setattr(Client, "wait_for_workers", lambda own, n, timeout: wait(own, n, 0.2))
    done = build(tmp_path, scheduler)
    assert done.exit_code == 2 and "has no workers" in done.output


@pytest.fixture(scope="module")
def workers(
    scheduler: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Two worker processes with one thread each, and note caches of their own."""
    top = tmp_path_factory.mktemp("workers")
    with ExitStack() as stack:
        yield [
            stack.enter_context(
                dask(
                    "worker",
                    scheduler,
                    "--nthreads=1",
                    "--no-nanny",
                    f"--local-directory={top / f'w{number}'}",
                    DRILLGEN_CACHE=str(top / f"cache {number}"),
                )
            )
            for number in range(2)
        ]


def test_the_same_pack(scheduler: str, workers: object, tmp_path: Path, drillgen: Run) -> None:
    """Made by two workers, every file is as this machine makes it; a second build has nothing to
    ask of them."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [360, 340]", "Two": "tempo: 350"})
    assert drillgen("build", plan, "-o", tmp_path / "own").returncode == 0
    done = drillgen("build", plan, "-o", tmp_path / "out", "--cluster", scheduler)
    assert done.returncode == 0, done.stderr
    assert contents(tmp_path / "out") == contents(tmp_path / "own")
    done = drillgen("build", plan, "-o", tmp_path / "out", "--cluster", scheduler)
    assert "Nothing to do" in done.stdout


def test_a_worker_killed_half_way(
    scheduler: str, workers: list[subprocess.Popen[bytes]], tmp_path: Path
) -> None:
    """One of two workers is killed in the middle of its work: nothing is lost."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [240, 241, 242, 243, 244]"}, LONG)
    pack = tmp_path / "out"
    with started("build", plan, "-o", pack, "--cluster", scheduler, *BARE) as process:
        until(lambda: list(pack.glob("*/*.wav")))
        workers[0].kill()
        said = process.communicate()
        assert process.returncode == 0, said
    assert len(tracks(pack)) == 5 and not [n for n in contents(pack) if n.startswith(".")]


@pytest.mark.parametrize("address", ["", "here", "http://a:1", "a:0", "a:99999", "tcp://a"])
def test_what_is_no_address(tmp_path: Path, address: str) -> None:
    """Anything but a host and a port is refused with an example."""
    done = build(tmp_path, address)
    assert done.exit_code == 2 and "as in tcp://192.168.1.20:8786" in done.output


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where Dask's distributed is missing, the command says how to install it."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = build(tmp_path, "127.0.0.1:8786")
    assert done.exit_code == 2 and "pip install 'drillgen[cluster]'" in done.output


def test_a_soundfont_is_known_by_its_sum(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Elsewhere a soundfont is found by its SHA-256, whatever it is called; where there is none,
    its sum and the machine are named."""
    asked = tmp_path / "here.sf2"
    asked.write_bytes(embedded_soundfont().read_bytes())
    font = choose(str(asked)).soundfont
    sha256 = font.sha256
    asked.unlink()
    found = here(font, sha256)
    assert found.path.read_bytes() == embedded_soundfont().read_bytes()
    monkeypatch.setattr("drillgen.sound.soundfonts._files", lambda: iter(()))
    with pytest.raises(PackError, match=f"{socket.gethostname()} has no soundfont .*{sha256}"):
        here(font, sha256)
