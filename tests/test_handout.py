"""What a teacher hands out: names in order, the notes to read first, one file to send."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import unicodedata
import zipfile
from pathlib import Path, PureWindowsPath

import pytest

from drillgen.pack.files import PackError, zip_pack, zip_path
from drillgen.pack.handout import notes_bytes, notes_text
from drillgen.pack.settings import TakenFolder, lesson_folders, safe

# Names ------------------------------------------------------------------------------------------

HOSTILE = [
    'A/B\\C:D*E?F"G<H>I|J',
    "../../etc/passwd",
    "/absolute",
    "C:\\Windows",
    "con",
    "NUL.txt",
    "com1",
    "COM¹",
    "aux .mp3",
    "trailing. . .",
    "...",
    ".hidden",
    "   ",
    "tab\tand\nline\rend",
    "bell\x07 and \x85 and \u2028",
    "right\u202eot left",
    "zero\u200bwidth\ufeff",
    "e\u0301tude",
    "♭♯ é 日本語 🎸",
    "𝄞" * 60,
    "ab" * 200,
    "manifest.json",
    "Index.HTML",
    "NOTES.txt",
    "page",
    "Listen.m3u8",
    "half \ud800 sign",
    "-rf *",
    "~",
    "%2e%2e",
]


@pytest.mark.parametrize("title", HOSTILE)
def test_a_name_is_allowed_everywhere(title: str, tmp_path: Path) -> None:
    """No sign that Windows forbids, no device, no dot or space at an end ("Naming Files, Paths,
    and Namespaces", Microsoft, from memory), nothing hidden, at most 255 bytes twice over, one
    composed spelling (macOS), and it can be made here."""
    name = safe(title)
    assert not set(name) & set('<>:"/\\|?*') and not any(ord(sign) < 32 for sign in name)
    assert name == name.strip(" .") != ""
    assert not PureWindowsPath(name).is_reserved() and not PureWindowsPath(name).drive
    assert not name.startswith(".") and 2 * len(name.encode("utf-8")) < 200
    assert name == unicodedata.normalize("NFC", name)
    assert not any(unicodedata.category(sign) in ("Cc", "Cs") for sign in name)
    assert not any(unicodedata.bidirectional(s) in ("RLO", "LRO", "RLE", "LRE") for s in name)
    assert name.casefold() not in ("manifest.json", "index.html", "notes.txt", "page")
    (tmp_path / name).mkdir()
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_name_that_only_a_drills_folder_has_is_free() -> None:
    """`stems` and `loops` lie inside a drill's folder, where no drill lies."""
    assert [safe(name) for name in ("Stems", "loops")] == ["Stems", "loops"]


@pytest.mark.parametrize("count", [2, 9, 10, 99, 100, 120])
def test_folders_sort_in_the_lesson_s_order(count: int) -> None:
    """By sign, as zips and most players sort, and regardless of case: the order is the lesson's;
    two digits, three from a hundred on."""
    titles = [f"{'zyx'[number % 3]} Drill" for number in range(count)]
    names = lesson_folders(titles).names
    assert sorted(names) == sorted(names, key=str.casefold) == list(names)
    assert len({name.casefold() for name in names}) == count
    digits = 3 if count >= 100 else 2
    assert all(re.fullmatch(rf"\d{{{digits}}} [xyz] Drill( \(\d+\))?", name) for name in names)


def test_a_single_drill_has_no_number() -> None:
    """It is called what it is called."""
    assert lesson_folders(["Thirds"]).names == ("Thirds",)


def test_a_lesson_that_is_built_again_takes_its_folders_over() -> None:
    """Drills in another order get new numbers, and their old folders are replaced; a drill that
    left the lesson stays; a name that differs only in a number is not taken for the same."""
    was = [
        TakenFolder("01 Thirds", "Thirds"),
        TakenFolder("02 Roots", "Roots"),
        TakenFolder("03 Gone", "Gone"),
        TakenFolder("12 bars", "12 bars"),
    ]
    now = lesson_folders(["Roots", "thirds", "bars"], was)
    assert now.names == ("01 Roots", "02 thirds", "03 bars")
    assert set(now.places) == {"01 Thirds", "02 Roots"}


def test_a_drill_of_a_lesson_that_is_built_alone_stays_where_it_is() -> None:
    """Into the lesson's pack it goes under its number; into none, or beside others, under its
    name."""
    was = [TakenFolder("01 Thirds", "Thirds"), TakenFolder("02 Roots", "Roots")]
    again = lesson_folders(["Roots"], was)
    assert (again.names, set(again.places)) == (("02 Roots",), {"02 Roots"})
    other = lesson_folders(["01 Thirds"], was)
    assert (other.names, other.places) == (("01 Thirds (2)",), {})


def test_equal_titles_keep_apart() -> None:
    """The second of two drills of one title is told from the first, also when built again."""
    names = lesson_folders(["Blues", "blues"]).names
    assert names == ("01 Blues", "02 blues (2)")
    was = [TakenFolder("01 Blues", "Blues"), TakenFolder("02 blues (2)", "blues")]
    assert set(lesson_folders(["Blues", "blues"], was).places) == {"01 Blues", "02 blues (2)"}
    assert set(lesson_folders(["Blues"], was).places) == {"01 Blues"}


# Notes ------------------------------------------------------------------------------------------


def _entry(folder: str, tempo: object, **more: object) -> dict[str, object]:
    name = f"{folder}/{folder} - 2 keys from C - {tempo}"
    return {
        "drill": folder.partition(" ")[2],
        "note": "Sing it first.",
        "folder": folder,
        "tempo": tempo,
        "keys": ["C major", "Bb major", "D minor"],
        "files": {
            "play-along": f"{name}.m4a",
            "with line": f"{name} with line.m4a",
            "midi": f"{name}.mid",
            "stems": {"bass": f"{folder}/stems/bass.m4a"},
        },
        "soundfont": {"name": "A Bank", "licence": "public domain", "sha256": "0123456789abcdef"},
        **more,
    }


ENTRIES = [
    _entry("01 Thirds", 60.0),
    _entry("01 Thirds", 72.5),
    _entry("02 Roots", {"from": 60.0, "to": 84.0, "step": 4.0}),
    _entry("03 Winding down", {"from": 100.0, "to": 60.0, "step": -4.0}),
]


def test_one_tempo_has_no_slowest() -> None:
    """Where each drill has a single tempo, slower is what the page plays, if it is there."""
    page, bare = (
        " ".join(notes_text("Week", [ENTRIES[0]], others).split())
        for others in (["index.html"], ())
    )
    assert "slowest tempo" not in page + bare
    assert "have the practice page play it slower" in page and "Slowly" not in bare


def test_the_notes_say_what_a_student_needs() -> None:
    """Title, what to open first, how to practise, each drill with note, keys and tempos, cautions
    with the figure of WHO and ITU (H.870), and what may be handed on with the sounds' licence."""
    text = notes_text("First week", ENTRIES, note="A drill a day.")
    flat = " ".join(text.split())
    assert text.startswith("First week\n==========\n")
    assert "A drill a day." in text.split("\n\n")[1]
    for step in ("Hear.", "Sing.", "Play back.", "Round the keys.", "Slowly first."):
        assert step in flat
    assert "1. Thirds Sing it first. Keys: C, Bb, D minor. Tempo: 60, 72.5." in flat
    assert "2. Roots Sing it first. Keys: C, Bb, D minor. Tempo: 60 climbing to 84." in flat
    assert "3. Winding down Sing it first. Keys: C, Bb, D minor. Tempo: 100 slowing to 60." in flat
    assert "80 dB(A) for 40 hours a week" in flat and "H.870" in flat and "break" in flat
    assert "see a clinician" in flat and "rules of your school" in flat
    assert "A Bank. Licence: public domain. SHA-256: 0123456789ab…" in flat
    assert "claims nothing" in flat


def test_the_notes_name_what_is_really_there() -> None:
    """Without a page the first demonstration is opened first; only kinds of files that the pack
    has are explained; an unknown licence is a reason to ask."""
    text = notes_text("First week", ENTRIES)
    assert "\n  01 Thirds/01 Thirds - 2 keys from C - 60.0 with line.m4a\n" in text
    assert ".mid" in text and "stems" in text
    assert "index.html" not in text and ".pdf" not in text and ".m3u8" not in text
    with_page = notes_text("First week", ENTRIES, others=["index.html", "First week.m3u8"])
    assert "\n  index.html\n" in with_page and ".m3u8" in with_page
    font = {"name": "Found", "licence": "", "sha256": "f" * 64}
    unknown = notes_text("One", [_entry("01 Thirds", 60.0, soundfont=font)])
    assert "ask before you hand" in " ".join(unknown.split())


def test_the_notes_are_wrapped_text_for_every_system() -> None:
    """No line of prose is wider than 76 characters; in the file every line ends in CRLF (RFC 2046,
    4.1.1) and a byte order mark says UTF-8 (RFC 3629, 6); signs that would turn the text are
    gone."""
    title = "Ré\u202e\x07\ud800 ♭ " + "very long words " * 10
    text = notes_text(title, ENTRIES)
    long = [line for line in text.splitlines() if len(line) > 76]
    assert all(line.strip().startswith("01 ") for line in long)
    content = notes_bytes(text)
    assert content.startswith(b"\xef\xbb\xbf") and b"\n" not in content.replace(b"\r\n", b"")
    assert content.decode("utf-8-sig").replace("\r\n", "\n") == text
    assert "\u202e" not in text and "Ré ♭" in text


# One file ---------------------------------------------------------------------------------------


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    """A folder as a pack is one, with a stranger in it."""
    folder = tmp_path / "Erste Woche ♭"
    (folder / "01 Thirds").mkdir(parents=True)
    (folder / "01 Thirds" / "Étude.m4a").write_bytes(os.urandom(5000))
    (folder / "01 Thirds" / "empty.mid").touch()
    (folder / "manifest.json").write_text("{}" * 500, "utf-8")
    (folder / "NOTES.txt").write_bytes(notes_bytes("a\nb\n"))
    (folder / ".part-0").write_text("half", "utf-8")
    (folder / "private.txt").write_text("mine", "utf-8")
    return folder


NAMES = ["NOTES.txt", "01 Thirds/Étude.m4a", "manifest.json", "01 Thirds/empty.mid"]


def test_the_zip_holds_the_pack_in_one_folder(pack: Path, tmp_path: Path) -> None:
    """It unpacks to the same bytes under the pack's name; only what was named is in it; what is
    outside the pack never is."""
    target = zip_pack(pack, zip_path(pack), [*NAMES, "../secret.txt", "/etc/passwd"])
    assert target == tmp_path / f"{pack.name}.zip"
    with zipfile.ZipFile(target) as packed:
        assert packed.testzip() is None
        assert packed.namelist() == sorted(f"{pack.name}/{name}" for name in NAMES)
        packed.extractall(tmp_path / "out")
    for name in NAMES:
        assert (tmp_path / "out" / pack.name / name).read_bytes() == (pack / name).read_bytes()


@pytest.mark.skipif(shutil.which("unzip") is None, reason="needs Info-ZIP's unzip")
def test_another_program_reads_the_zip(pack: Path) -> None:
    """Info-ZIP's unzip finds no error in it."""
    target = zip_pack(pack, zip_path(pack), NAMES)
    done = subprocess.run(["unzip", "-t", target], capture_output=True, text=True, check=False)
    assert done.returncode == 0 and "No errors detected" in done.stdout


def test_names_are_utf_8_and_sound_is_not_compressed_twice(pack: Path) -> None:
    """Bit 11 is set where a name needs it (APPNOTE 6.3, 4.4.4); compressed audio is stored (method
    0), the rest deflated (method 8; 4.4.5)."""
    with zipfile.ZipFile(zip_pack(pack, zip_path(pack), NAMES)) as packed:
        infos = {Path(info.filename).name: info for info in packed.infolist()}
    assert infos["Étude.m4a"].flag_bits & 0x800
    assert (infos["Étude.m4a"].compress_type, infos["manifest.json"].compress_type) == (0, 8)
    assert infos["manifest.json"].compress_size < infos["manifest.json"].file_size


def test_the_same_files_make_the_same_zip(pack: Path) -> None:
    """Neither the time of a file, nor its mode, nor the order of names is in it."""
    first = zip_pack(pack, zip_path(pack), NAMES).read_bytes()
    for name in NAMES:
        os.utime(pack / name, (10**9, 10**9))
        (pack / name).chmod(0o600)
    assert zip_pack(pack, zip_path(pack), NAMES[::-1]).read_bytes() == first


def test_a_zip_is_there_whole_or_not_at_all(pack: Path, tmp_path: Path) -> None:
    """Where a file is missing it is said plainly, and an older zip stays as it was."""
    target = zip_path(pack)
    target.write_bytes(b"older")
    with pytest.raises(PackError, match="cannot make"):
        zip_pack(pack, target, [*NAMES, "gone.m4a"])
    assert target.read_bytes() == b"older"
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_a_pack_in_the_current_folder_has_a_name(
    pack: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`-o .` is called after the folder that it is."""
    monkeypatch.chdir(pack)
    assert zip_path(Path()) == pack.with_name(f"{pack.name}.zip")
    with zipfile.ZipFile(zip_pack(Path(), zip_path(Path()), NAMES)) as packed:
        assert packed.namelist()[0].startswith(f"{pack.name}/")
