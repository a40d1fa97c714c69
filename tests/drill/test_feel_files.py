"""What the language knows of a feel: what its file says."""

from __future__ import annotations

import pytest

from drillgen.drill.messages import DrillError

REST = "swing: 2\nbasses: [roots]\n"  # which every feel has
OK = "progression: ii7 | V7 | Imaj7 | %\n"


def test_a_new_feel_is_a_new_file(read, monkeypatch, tmp_path):
    """A file in the feels' folder makes a feel playable, in the meters that it names."""
    from drillgen.drill import band

    players = tmp_path / "players"
    players.mkdir()
    monkeypatch.setattr(band, "FEELS_FOLDER", players)
    (players / "jazz-waltz.yaml").write_text(REST + "meters:\n  3/4:\n    x: y\n", "utf-8")
    (players / "slow-12-8.yaml").write_text(REST + "meters:\n  12/8: {}\n", "utf-8")
    (players / "my-own.yaml").write_text(REST + "meters:\n  5/4: {}\n  4/4: {}\n", "utf-8")
    assert read(OK + "feel: jazz waltz\n").meter.text == "3/4"  # its own, not four
    assert read(OK + "feel: slow 12/8\n").meter.text == "12/8"
    assert read(OK + "feel: my own\n").meter.text == "4/4"
    with pytest.raises(DrillError, match="jazz waltz has no player in 4/4 yet; allowed: 3/4"):
        read(OK + "feel: jazz waltz\nmeter: 4/4\n")
    with pytest.raises(DrillError, match="no feel; allowed: jazz waltz, slow 12/8, my own, bossa"):
        read(OK + "feel: swing\n")


@pytest.mark.parametrize(
    "basses", ["[roots, two-beat]", "\n  - roots\n  - two-beat", "&b [roots,\n  two-beat]"]
)
def test_a_feels_file_may_be_any_yaml(read, monkeypatch, tmp_path, basses):
    """Lists in brackets or in lines, keys in quotes: what YAML 1.2 takes for the same."""
    from drillgen.drill import band

    players = tmp_path / "players"
    players.mkdir()
    monkeypatch.setattr(band, "FEELS_FOLDER", players)
    meters = "# meters: 5/4\nmeters: {'3/4': {x: [{4/4: y}]}, \"6/8\": {}}\n"
    text = f"swing: straight\nbasses: {basses}\n{meters}"
    (players / "mine.yaml").write_text(text, "utf-8")
    drill = read(OK + "feel: mine\nband: {bass: two-beat}\n")
    assert (drill.meter.text, drill.band.bass.kind) == ("3/4", "two-beat")
    with pytest.raises(DrillError, match="mine has no walking bass; allowed: roots, two-beat, off"):
        read(OK + "feel: mine\nband: {bass: walking}\n")
    with pytest.raises(DrillError, match="no player in 4/4 yet; allowed: 3/4, 6/8"):
        read(OK + "feel: mine\nmeter: 4/4\n")
