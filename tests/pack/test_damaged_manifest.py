"""Manifests that a person, or a failing disk, has been at: no build of another drill trips over."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import run_command
from tests.examples import examples
from tests.pack.building import contents, lesson, manifest
from tests.pack.conftest import surround

DRILLS = {"One": "tempo: 360, note: Sing it", "Two": "tempo: 350"}
OPTIONS = ("--no-sheets", "--quiet", "--single-file", "--mixes", "drums alone")
BAD: list[Any] = [
    None, True, 0, -1, 1e999, float("nan"), 10**400, "", "x", "\ud800", "a\0b", "../x", [], {},
    [None], [["x"]], {"x": None}, {"": {"x": []}}, "#" * 300,
]  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Iterator[Path]:
    """A folder with the pack of two drills, and with the first of them alone in a file."""
    folder = tmp_path_factory.mktemp("made")
    with pytest.MonkeyPatch.context() as patch:
        surround(patch, notes)
        plan = lesson(folder / "both.yaml", DRILLS)
        done = run_command("build", plan, "-o", folder / "whole", *OPTIONS)
        assert done.returncode == 0, done.stderr
        lesson(folder / "one.yaml", {"One": DRILLS["One"]})
        yield folder


def build(made: Path, text: str) -> tuple[int, str]:
    """Build the first drill into a copy of the pack that has another manifest: the exit code, and
    what is said."""
    shutil.rmtree(made / "out", ignore_errors=True)
    shutil.copytree(made / "whole", made / "out")
    (made / "out" / "manifest.json").write_text(text, "utf-8")
    done = run_command("build", made / "one.yaml", "-o", made / "out", *OPTIONS)
    return done.returncode, done.stdout + done.stderr


def places(value: Any, depth: int = 6) -> Iterator[tuple[Any, ...]]:
    """Every field of a manifest by its path; of a list's items the first and the last."""
    if depth and isinstance(value, dict | list):
        keys = list(value) if isinstance(value, dict) else sorted({0, len(value) - 1} - {-1})
        for key in keys:
            yield (key,)
            yield from ((key, *rest) for rest in places(value[key], depth - 1))


@examples(15)
@given(data=st.data())
def test_one_field_is_something_else(made: Path, data: st.DataObject) -> None:
    """Whatever one field of the manifest holds, or is gone, another build of one of the drills
    ends well: exit code 0, a manifest that lists that drill, and its play-along there.  Or a file
    that is listed no more is named, and nothing is changed."""
    document = copy.deepcopy(manifest(made / "whole"))
    *way, last = data.draw(st.sampled_from(list(places(document))))
    holder = document
    for key in way:
        holder = holder[key]
    bad = data.draw(st.sampled_from([*BAD, "gone"]))
    if bad == "gone":
        del holder[last]
    else:
        holder[last] = bad
    code, said = build(made, json.dumps(document))
    if code == 2 and "is there already, and not from a build" in said:
        was, now = contents(made / "whole"), contents(made / "out")
        assert was | {"manifest.json": b""} == now | {"manifest.json": b""}
        return
    assert code == 0, (way, last, bad, said)
    now = manifest(made / "out")
    listed = [each["files"]["play-along"] for each in now["tracks"] if each["drill"] == "One"]
    assert any((made / "out" / name).is_file() for name in listed)


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"tracks": [{"x": ' + "[" * 900 + "]" * 900 + "}]}"]
)
def test_nested_too_deeply(made: Path, text: str) -> None:
    """Lists within lists without end are no manifest, or no entry."""
    code, said = build(made, text)
    assert code == 0, said
    assert [track["drill"] for track in manifest(made / "out")["tracks"]] == ["One"]


def test_a_damaged_entry_is_made_again(made: Path) -> None:
    """The files of an entry that cannot be read are the drill's all the same: made again, no
    stranger."""
    document = copy.deepcopy(manifest(made / "whole"))
    document["tracks"][0]["files"] = None
    code, said = build(made, json.dumps(document))
    assert code == 0, said
    names = manifest(made / "whole")["tracks"][0]["bytes"]
    was, now = contents(made / "whole"), contents(made / "out")
    assert all(was[name] == now[name] for name in names)
    assert 'was damaged where it lists "01 One": it is made again' in said


@pytest.fixture(scope="module")
def mp3(made: Path, notes: Path) -> Path:
    """The pack of both drills as MP3, with stems."""
    with pytest.MonkeyPatch.context() as patch:
        surround(patch, notes)
        again(made, "--format", "mp3", pack="mp3")
    return made / "mp3"


def again(made: Path, *options: str, pack: str = "out", plan: str = "both") -> str:
    """Build drills without a word of their format, unless `options` have one: what is noted."""
    bare = ("--no-sheets", "--no-page", "--quiet", "--stems")
    done = run_command("build", made / f"{plan}.yaml", "-o", made / pack, *bare, *options)
    assert done.returncode == 0, done.stderr
    return done.stderr


def damaged(mp3: Path, text: str | None = None, track: int = 0) -> None:
    """A copy of the pack whose manifest is another text, or has one entry damaged."""
    out = mp3.with_name("out")
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(mp3, out)
    document = manifest(mp3)
    document["tracks"][track]["seconds"] = "x"
    (out / "manifest.json").write_text(text or json.dumps(document), "utf-8")


@pytest.mark.parametrize("text", ["", '{"tracks": [', None])
def test_formats_outlive_a_manifest(made: Path, mp3: Path, text: str | None) -> None:
    """Where the manifest is lost, or what it says of a drill, the pack's files stay what they
    were: none in another format comes to them, none is taken as changed by hand, and the damage
    is told."""
    damaged(mp3, text)
    said = again(made)
    names = contents(mp3).keys() - {"manifest.json"}
    was, now = contents(mp3), contents(made / "out")
    assert now.keys() - {"manifest.json"} == names
    assert all(was[name] == now[name] for name in names)
    assert "manifest.json was damaged" in said
    assert "damaged" not in again(made)


def test_marks_outlive_an_entry(made: Path, mp3: Path) -> None:
    """What a damaged entry lists and a build makes otherwise is replaced, and removed where it is
    not made again; what a person has changed of it is kept."""
    damaged(mp3)
    stems = made / "out" / "01 One" / "stems"
    (changed,) = stems.glob("* drums.mp3")
    changed.write_bytes(b"mine")
    bare = ("--no-sheets", "--no-page", "--quiet", "--room", "off")
    done = run_command("build", made / "both.yaml", "-o", made / "out", *bare)
    assert done.returncode == 0, done.stderr
    left = [path.name for path in (made / "out").rglob("*") if "changed by hand" in path.name]
    assert left == [f"{changed.stem} (changed by hand).mp3"] == [p.name for p in stems.iterdir()]


def test_damage_elsewhere_is_not_forgotten(made: Path, mp3: Path) -> None:
    """The damaged entry of a drill that is not built says so at each build, and is still known to
    be that drill's when it is built again."""
    damaged(mp3, track=1)
    assert again(made, plan="one") == again(made, plan="one")
    assert '"02 Two": build that drill again' in again(made, plan="one")
    again(made)
    assert contents(made / "out").keys() == contents(mp3).keys()


def test_formats_move_with_their_drills(made: Path, mp3: Path) -> None:
    """Drills in another order are written in the formats that they had under their old numbers."""
    damaged(mp3, json.dumps(manifest(mp3)))
    lesson(made / "turned.yaml", dict(reversed(DRILLS.items())))
    again(made, plan="turned")
    endings = {Path(name).suffix for name in contents(made / "out") if name.startswith("0")}
    assert endings == {".mp3", ".mid"}
