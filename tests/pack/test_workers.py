"""Worker processes: one that dies has failed at one task, and the others go on."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from drillgen.pack.tasks import Failure, Outcome, PackTask, TaskResult
from drillgen.pack.workers import WorkerProcesses, _death


@pytest.fixture
def jobs(monkeypatch: pytest.MonkeyPatch) -> Any:
    """`odd_jobs` under a name by which the workers find it, too."""
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    import odd_jobs  # type: ignore[import-not-found]

    yield odd_jobs
    sys.modules.pop("odd_jobs", None)


def outcomes(tmp_path: Path, works: list[Any]) -> dict[str, Outcome]:
    """How each of some works ended, by its task's name."""
    tasks = [
        PackTask(f"{number}", "tracks", "", f"{number} {work.__name__}", 1.0, work, number)
        for number, work in enumerate(works)
    ]

    def folder(task: PackTask) -> Path:
        place = tmp_path / task.key
        place.mkdir()
        return place

    with WorkerProcesses(2) as workers:
        begun = [(task, workers.begin(task, folder, lambda *_: None, 1)) for task in tasks]
        return {
            task.label: Outcome(task, workers.end(task, future, folder)) for task, future in begun
        }


def test_one_that_dies_has_failed_alone(jobs: Any, tmp_path: Path) -> None:
    """Aborted, ended of itself, out of memory: each is one failure that says how, and every other
    task has its result."""
    bad = [jobs.crash, jobs.leave, jobs.stop, jobs.starve]
    works = [work for each in bad for work in (jobs.fine, each)] + [jobs.fine]
    ended = outcomes(tmp_path, works)
    for number in range(0, 9, 2):
        result = ended[f"{number} fine"].result
        assert isinstance(result, TaskResult) and result.files == {"a.txt": 1}
        assert result.entry == {"job": number}
    said = {}
    for name, outcome in ended.items():
        if isinstance(outcome.result, Failure):
            assert outcome.result.blame == "program"
            said[name.split()[1]] = outcome.result.message
    assert "SIGABRT" in said["crash"] and "exit code 7" in said["leave"]
    assert "of itself (exit code 0)" in _death(0)  # as where a library calls exit
    assert "MemoryError" in said["starve"] and "3" in said["stop"]


def test_who_is_to_blame(jobs: Any, tmp_path: Path) -> None:
    """A person's error keeps its words; a full disk is the pack's, whatever it was wrapped in."""
    ended = outcomes(tmp_path, [jobs.complain, jobs.fill])
    assert ended["0 complain"].result == Failure("person", "the drill is too odd")
    full = ended["1 fill"].result
    assert isinstance(full, Failure) and full.blame == "target"
    assert "no space left" in full.message
