"""What a pack's manifest is made to say, for tasks of any kind."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drillgen.pack.manifest_store import ManifestStore
from drillgen.pack.tasks import PackTask, Workspace, done, task_folder
from tests.pack.building import contents, manifest


def write(job: dict[str, str], place: Workspace) -> dict[str, Any]:
    for name, text in job.items():
        (place.folder / name).parent.mkdir(parents=True, exist_ok=True)
        (place.folder / name).write_text(text)
    return {"files": list(job)}


def task(folder: str, key: str, **job: str) -> PackTask:
    files = {name.replace("_", "/") + ".txt": text for name, text in job.items()}
    return PackTask(key, "pages", folder, key, 1.0, write, files)


def build(pack: Path, *tasks: PackTask, replaced: tuple[str, ...] = ()) -> list[str]:
    """Build tasks into a pack as a whole; returns which of them were done."""
    store = ManifestStore(pack, "A pack")
    missing = store.plan(tasks)
    for each in missing:
        place = task_folder(pack / ".work", each)
        place.mkdir(parents=True)
        result = done(each, Workspace(place))
        store.accept(each, result, place)  # type: ignore[arg-type]
    store.finish({*replaced, *(each.folder for each in tasks)})
    return [each.key for each in missing]


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    build(tmp_path, task("a", "1", a="A", page_x="X"), task("b", "2", b="B", page_x="X"))
    return tmp_path


def test_shared_files(pack: Path) -> None:
    """Two drills list one file: made again, one of them leaves the other listed and whole; the file
    goes with the last of them."""
    assert build(pack, task("a", "3", a="A2", page_x="X")) == ["3"]
    assert [entry["folder"] for entry in manifest(pack)["pages"]] == ["b", "a"]
    assert build(pack, task("b", "2", b="B", page_x="X"), task("a", "3", a="A2", page_x="X")) == []
    assert build(pack, task("a", "4", a="A3")) == ["4"]
    assert "page/x.txt" in contents(pack)
    assert build(pack, task("b", "5", b="B2")) == ["5"]
    assert set(contents(pack)) == {"a.txt", "b.txt", "manifest.json"}
    assert not (pack / "page").exists()


def test_what_belongs_to_the_pack_is_made_by_every_build(pack: Path) -> None:
    """An entry without a folder goes when a build does not ask for it any more."""
    build(pack, task("", "6", index="I"))
    assert "index.txt" in contents(pack)
    assert [entry.get("folder") for entry in manifest(pack)["pages"]] == ["a", "b", None]
    build(pack, task("a", "1", a="A", page_x="X"))
    assert "index.txt" not in contents(pack)


def test_replaced_folders(pack: Path) -> None:
    """A drill that has moved to another folder leaves none of its files in the old one."""
    build(pack, task("c", "7", c_b="B", page_x="X"), replaced=("b",))
    assert set(contents(pack)) == {"a.txt", "c/b.txt", "page/x.txt", "manifest.json"}
