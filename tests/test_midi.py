"""MIDI files, against Standard MIDI Files 1.0 and General MIDI, and as other programs read them."""

from __future__ import annotations

import csv
import ctypes
import struct
from fractions import Fraction
from pathlib import Path

import mido
import pretty_midi
import pytest

from tests.conftest import DATA, Built, Run

GM = {
    (row["kind"], int(row["midi_value"])): row["name"]
    for row in csv.DictReader((DATA / "gm1.csv").open(encoding="utf-8"))
}  # General MIDI Level 1 (MMA, RP-003)


@pytest.fixture(scope="module")
def with_line(pack: Built) -> Path:
    return pack.file("midi with line")


def chunks(content: bytes) -> list[tuple[bytes, bytes]]:
    """A MIDI file's chunks, read by hand."""
    found, place = [], 0
    while place < len(content):
        kind, length = struct.unpack(">4sI", content[place : place + 8])
        found.append((kind, content[place + 8 : place + 8 + length]))
        place += 8 + length
    return found


def test_header(with_line: Path) -> None:
    """The header is six bytes: format 1, the number of tracks, ticks a quarter note (SMF 1.0)."""
    (kind, header), *tracks = chunks(with_line.read_bytes())
    form, count, division = struct.unpack(">HHH", header)
    assert (kind, len(header), form) == (b"MThd", 6, 1)
    assert count == len(tracks) and all(kind == b"MTrk" for kind, _ in tracks)
    assert division & 0x8000 == 0 and division >= 96


def test_conductor_bytes(with_line: Path) -> None:
    """At 120 the first track holds the specification's own bytes for tempo and 4/4."""
    conductor = chunks(with_line.read_bytes())[1][1]
    assert bytes.fromhex("FF5103 07A120".replace(" ", "")) in conductor  # SMF 1.0: 120 bpm
    assert bytes.fromhex("FF5804 04021808".replace(" ", "")) in conductor  # SMF 1.0: 4/4
    assert bytes.fromhex("FF5902 0000".replace(" ", "")) in conductor  # C major (memory)
    assert bytes.fromhex("FF5902 FC00".replace(" ", "")) in conductor  # Ab major: four flats


def test_every_track_ends_at_the_tracks_length(pack: Built, with_line: Path) -> None:
    """The end of track keeps the last silence: every track lasts as long as the audio."""
    seconds = pack.manifest["tracks"][0]["seconds"]
    file = mido.MidiFile(with_line)
    for content, track in zip(chunks(with_line.read_bytes())[1:], file.tracks, strict=True):
        assert content[1].endswith(bytes.fromhex("FF2F00"))
        ticks = sum(message.time for message in track)
        assert mido.tick2second(ticks, file.ticks_per_beat, 500_000) == pytest.approx(
            seconds, abs=0.001
        )


def test_programs_and_channels(with_line: Path) -> None:
    """Drums and click use channel 10 and no other part does; programs are General MIDI's."""
    tracks = {track.name: track for track in mido.MidiFile(with_line).tracks[1:]}
    assert set(tracks) == {"drums", "comping", "bass", "line", "click"}
    channels = {
        name: {message.channel for message in track if not message.is_meta}
        for name, track in tracks.items()
    }
    assert channels["drums"] == channels["click"] == {9}
    melodic = [channels[name] for name in ("comping", "bass", "line")]
    assert all(len(used) == 1 and used != {9} for used in melodic)
    assert len(set.union(*melodic)) == 3
    programs = {
        name: next(m.program for m in track if m.type == "program_change")
        for name, track in tracks.items()
        if name != "click"  # one channel, one kit: the drummer's
    }
    assert GM["program0", programs["bass"]] == "Acoustic Bass"
    assert GM["program0", programs["comping"]] == "Acoustic Grand Piano"
    keys = {m.note for m in tracks["drums"] if m.type == "note_on"}
    names = {GM["drum_key", key] for key in keys}
    assert {"Ride Cymbal 1", "Pedal Hi Hat"} <= names


def test_each_channel_is_set_up_once(with_line: Path) -> None:
    """One program, volume and pan a channel: no track undoes another's."""
    found: dict[tuple[int, str], int] = {}
    for track in mido.MidiFile(with_line).tracks:
        for message in track:
            if message.type in ("program_change", "control_change"):
                control = getattr(message, "control", "program")
                key = (message.channel, str(control))
                found[key] = found.get(key, 0) + 1
    assert len(found) == 4 * 3 and set(found.values()) == {1}


def test_no_note_hangs(with_line: Path) -> None:
    """Every note that begins ends, and ends before the same key begins again."""
    for track in mido.MidiFile(with_line).tracks[1:]:
        sounding: set[int] = set()
        for message in track:
            if message.type == "note_on" and message.velocity:
                assert message.note not in sounding
                sounding.add(message.note)
            elif message.type in ("note_on", "note_off"):
                sounding.discard(message.note)
        assert not sounding


def test_same_notes_in_two_libraries(with_line: Path) -> None:
    """mido and pretty_midi read the same notes at the same times."""
    by_mido = sorted(_mido_notes(mido.MidiFile(with_line)))
    read = pretty_midi.PrettyMIDI(str(with_line))
    by_pretty_midi = sorted(
        (round(note.start, 4), note.pitch, note.velocity)
        for instrument in read.instruments
        for note in instrument.notes
    )
    assert len(by_mido) == len(by_pretty_midi) > 300
    for one, other in zip(by_mido, by_pretty_midi, strict=True):
        assert one[0] == pytest.approx(other[0], abs=0.001) and one[1:] == other[1:]


def _mido_notes(file: mido.MidiFile) -> list[tuple[float, int, int]]:
    now, notes = 0.0, []
    for message in file:
        now += message.time
        if message.type == "note_on" and message.velocity:
            notes.append((round(now, 4), message.note, message.velocity))
    return notes


def test_markers_name_keys_and_roles(pack: Built, with_line: Path) -> None:
    """A marker stands at each key and each call and response, where the manifest has the bar."""
    file = mido.MidiFile(with_line)
    now, markers = 0, {}
    for message in file.tracks[0]:
        now += message.time
        if message.type == "marker":
            markers[mido.tick2second(now, file.ticks_per_beat, 500_000)] = message.text
    bars = pack.manifest["tracks"][0]["bars"]
    expected, before = {}, None
    for bar in bars:
        if (bar["role"], bar["key"]) != before:
            named = bar["role"] in ("count-in", "ending")
            expected[bar["start"]] = bar["role"] if named else f"{bar['key']}: {bar['role']}"
        before = (bar["role"], bar["key"])
    assert list(markers.values()) == list(expected.values())
    assert list(markers) == pytest.approx(list(expected))


def test_climbing_tempo_and_meter(drillgen: Run, tmp_path: Path) -> None:
    """A climbing tempo is written at each pass, in quarter notes a minute; so is the meter."""
    drill = tmp_path / "waltz.yaml"
    drill.write_text(
        "progression: i7 | iv7\nkey_cycle: Gm\nmeter: 3/4\npasses: 3\ncount_in: 0\n"
        "tempo: {from: 100, to: 120, step: 10}\ngaps: none\nending: none\n"
    )
    done = drillgen("build", drill, "-o", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    file = mido.MidiFile(next((tmp_path / "out").rglob("* with line.mid")))
    tempos = [m.tempo for m in file.tracks[0] if m.type == "set_tempo"]
    assert tempos == [round(60_000_000 / Fraction(bpm)) for bpm in (100, 110, 120)]
    meter = next(m for m in file.tracks[0] if m.type == "time_signature")
    assert (meter.numerator, meter.denominator) == (3, 4)
    key = next(m for m in file.tracks[0] if m.type == "key_signature")
    assert key.key == "Gm"


def test_fluidsynths_own_player_plays_the_same_notes(with_line: Path, tmp_path: Path) -> None:
    """FluidSynth's player, rendering in its own time, strikes exactly the notes that mido reads."""
    from drillgen.sound.library import library

    fluid = ctypes.CDLL(str(library().path))
    pointer, text, event = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p
    for name in ("new_fluid_settings", "new_fluid_synth", "new_fluid_player",
                 "new_fluid_file_renderer"):  # fmt: skip
        getattr(fluid, name).restype = pointer
    settings = pointer(fluid.new_fluid_settings())
    for key, value in (("audio.file.name", str(tmp_path / "out.raw")), ("audio.file.type", "raw"),
                       ("player.timing-source", "sample")):  # fmt: skip
        fluid.fluid_settings_setstr(settings, text(key.encode()), text(value.encode()))
    synth = pointer(fluid.new_fluid_synth(settings))
    player = pointer(fluid.new_fluid_player(synth))
    struck: list[tuple[int, int, int]] = []

    @ctypes.CFUNCTYPE(ctypes.c_int, pointer, event)
    def heard(_data: int, found: int) -> int:
        one = event(found)
        if fluid.fluid_midi_event_get_type(one) == 0x90 and fluid.fluid_midi_event_get_velocity(
            one
        ):
            struck.append((fluid.fluid_midi_event_get_channel(one),
                           fluid.fluid_midi_event_get_key(one),
                           fluid.fluid_midi_event_get_velocity(one)))  # fmt: skip
        return 0

    fluid.fluid_player_set_playback_callback(player, heard, pointer())
    assert fluid.fluid_player_add(player, text(str(with_line).encode())) == 0
    renderer = pointer(fluid.new_fluid_file_renderer(synth))
    fluid.fluid_player_play(player)
    playing = 1  # FLUID_PLAYER_PLAYING
    while fluid.fluid_player_get_status(player) == playing:
        assert fluid.fluid_file_renderer_process_block(renderer) == 0
    fluid.delete_fluid_file_renderer(renderer)
    fluid.delete_fluid_player(player)
    fluid.delete_fluid_synth(synth)
    fluid.delete_fluid_settings(settings)
    written = [
        (message.channel, message.note, message.velocity)
        for track in mido.MidiFile(with_line).tracks
        for message in track
        if message.type == "note_on" and message.velocity
    ]
    assert sorted(struck) == sorted(written)
