"""An amp that plays: signals, meters, files, and that it agrees with what the steady solvers say."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import scipy

from tests.amps import FILES, amp
from tests.benchmarks.sound import LEAST_DB, Bench
from tests.say import say
from tubekit.amp.headroom import headroom
from tubekit.amp.signal import signal_path
from tubekit.amp.sound import Ready, meter, play_amp
from tubekit.analyses import signals
from tubekit.analyses.signals import KINDS, read_sound, resampled, write_sound
from tubekit.cli import main
from tubekit.decisions.listen import listen, signal
from tubekit.errors import ChangeError, CircuitError, RecordError, SolveError

RATE = 48_000


def tone(volts: float, seconds: float, hertz: float = 1000.0) -> np.ndarray:
    return volts * np.sin(2 * np.pi * hertz * np.arange(1, round(seconds * RATE) + 1) / RATE)


def test_a_small_tone_has_the_gain_of_the_slopes() -> None:
    volts = play_amp(amp("vetch"), tone(1e-4, 0.3), RATE).volts[-4800:]
    played = 2 * abs(np.fft.rfft(volts)[100]) / len(volts) / 1e-4
    path = signal_path(amp("vetch"))
    exact = abs(path.reference_gain[0]) * abs(
        path.input_ohms[0] / (path.input_ohms[0] + path.view.source_ohms)
    )
    off = 20 * np.log10(played / exact)
    say(f"gain of vetch at 1 kHz, played against slopes: {off:+.3f} dB")
    assert abs(off) < 0.05


def test_a_steady_tone_is_that_of_the_large_signal_solver() -> None:
    power, off, level = Bench("vetch").steady(0.02, 0.8)
    say(f"vetch at 20 mV: power {power:+.2f} %, harmonics off by {off.round(2)} dB at {level.round()} dB")
    assert abs(power) < 1.0
    assert np.abs(off[level > LEAST_DB]).max() < 0.5


def test_a_signal_has_its_level_and_its_length() -> None:
    for kind in KINDS:
        one = signal(kind, level_v=0.05, seconds=0.4)
        assert len(one.volts) == 0.4 * RATE
        assert np.abs(one.volts).max() == pytest.approx(0.05), kind


def test_a_string_has_the_pitch_it_is_tuned_to_and_fades() -> None:
    note = KINDS["string"](110.0, 2.0, RATE)
    lines = np.abs(np.fft.rfft(note))
    first = np.argmax(lines[: 2 * 165]) / 2.0
    assert first == pytest.approx(110.0, abs=1.0)
    assert np.std(note[-RATE // 4 :]) < 0.5 * np.std(note[: RATE // 4])


def test_a_file_is_read_as_it_was_written(tmp_path: Path) -> None:
    sound = 0.5 * tone(1.0, 0.05)
    write_sound(tmp_path / "a.wav", sound, RATE)
    read, rate = read_sound(tmp_path / "a.wav")
    assert rate == RATE
    assert read == pytest.approx(sound, abs=2e-4)
    with pytest.raises(RecordError, match="already"):
        write_sound(tmp_path / "a.wav", sound, RATE)
    pytest.importorskip("soundfile").write(tmp_path / "a.flac", sound, RATE)
    assert read_sound(tmp_path / "a.flac")[0] == pytest.approx(sound, abs=2e-4)


def test_without_soundfile_it_says_how_to_read_flac(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(signals, "find_spec", lambda _: None)
    (tmp_path / "a.flac").write_bytes(b"fLaC" + bytes(200))
    assert main(["listen", "teasel", "R14=330", "--signal", str(tmp_path / "a.flac")]) == 2
    assert "soundfile is not installed. Run pip install 'tubekit[sound]'" in capsys.readouterr().err


def test_without_numba_it_says_how_long_it_takes(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tubekit.analyses.audio_kernel.installed", lambda: False)
    assert main(["listen", "teasel", "--signal", "nosuch.wav"]) == 2  # refused before it plays
    said = capsys.readouterr().err
    assert "each second of sound takes some 10 minutes. Stop with Ctrl+C and run pip install" in said


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.int32, np.float32])
def test_every_kind_of_sample_is_read_alike_with_scipy_alone(
    kind: type, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signals, "find_spec", lambda name: None)
    sound = 0.5 * tone(1.0, 0.02)
    whole = {np.uint8: 127.0, np.int16: 32767.0, np.int32: 2.0**31 - 1, np.float32: 1.0}[kind]
    written = sound * whole + (128.5 if kind is np.uint8 else 0.0)
    scipy.io.wavfile.write(tmp_path / "a.wav", RATE, np.stack([written, written], 1).astype(kind))
    assert read_sound(tmp_path / "a.wav")[0] == pytest.approx(sound, abs=0.01)


def test_a_signal_that_is_lost_or_none_is_said() -> None:
    open_coupling = listen(amp("vetch"), {"C2": "open"}, signal("sine", seconds=0.05))
    assert "no signal gets to LS1 after" in open_coupling.headline()
    assert ("THD", "8.43 %", "—") in open_coupling.table("output").cells()
    none = listen(amp("vetch"), what=signal("sine", level_v=0.0, seconds=0.05)).headline()
    assert none.endswith("mV RMS at LS1, no signal, only hum")
    assert "W at 5 %" not in headroom(amp("vetch").changed({"C2": "open"})).headline()


def test_files_that_are_no_sound_are_refused(tmp_path: Path) -> None:
    scipy.io.wavfile.write(tmp_path / "n.wav", RATE, np.array([0.0, np.nan], np.float32))
    (tmp_path / "t.wav").write_text("no sound")
    both = tone(1.0, 0.02)
    scipy.io.wavfile.write(tmp_path / "c.wav", RATE, np.stack([both, -both], 1).astype(np.float32))
    scipy.io.wavfile.write(tmp_path / "s.wav", 4000, np.zeros(400, np.int16))
    scipy.io.wavfile.write(tmp_path / "e.wav", RATE, np.zeros(0, np.int16))
    for name, words in (
        ("n.wav", "sample 2 is not a number"),
        ("t.wav", "cannot be read"),
        ("x.wav", "no such file"),
        ("e.wav", "no sound in it"),
        ("c.wav", "reversed polarity"),
        ("s.wav", "4000 samples a second"),
    ):
        with pytest.raises(ChangeError, match=words):
            signal(str(tmp_path / name))
    with pytest.raises(ChangeError, match="Near: string"):
        signal("sting")
    for level in (1e6, float("nan"), -1.0):
        with pytest.raises(ChangeError, match="level from 0 to 100 V"):
            signal("sine", level_v=level, seconds=0.01)
    with pytest.raises(CircuitError, match="V peak"):
        play_amp(amp("vetch"), np.full(10, 1e6), RATE)
    assert np.isfinite(
        listen(amp("vetch"), what=signal("step", level_v=100.0, seconds=0.02)).after.volts
    ).all()


@pytest.mark.parametrize("installed", [True, False])
def test_of_a_long_file_the_first_seconds_are_played(
    installed: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not installed:
        monkeypatch.setattr(signals, "find_spec", lambda name: None)
    samples = np.arange(8000 * 61) % 100
    scipy.io.wavfile.write(tmp_path / "long.wav", 8000, samples.astype(np.int16))
    note = signal(str(tmp_path / "long.wav"), seconds=0.5)
    assert (len(note.volts), note.name) == (4000, "first 0.5 s of long.wav")
    assert note.volts[57] / note.volts[99] == pytest.approx(57 / 99)


def test_an_amp_that_oscillates_is_not_played() -> None:
    with pytest.raises(SolveError, match=r"(?i)oscillat"):
        play_amp(amp("burdock").changed({"T2.primary.nodes": ["p4", "B1", "p3"]}), np.zeros(10), RATE)


def test_a_stage_that_jumps_is_followed() -> None:
    """Newton alone loses a step: the paraphase side of this amp, hit hard, goes over like a flip-flop."""
    ready, time = Ready.of(amp("paraphase-field-coil")), np.arange(2400) / 48e3
    for seed in (3, 7, 11):
        rng = np.random.default_rng(seed)
        pitches = zip(rng.uniform(80, 900, 5), rng.uniform(0, 6, 5), strict=True)
        chord = sum(np.sin(2 * np.pi * hertz * time + late) for hertz, late in pitches)
        heard = ready.heard(0.5 * chord / np.abs(chord).max(), 48000)
        assert heard.seconds == pytest.approx(0.05, abs=1e-3)
        assert np.isfinite(heard.outputs).all()


def test_the_error_of_the_steps_is_said_and_fine_steps_bring_it_down() -> None:
    """Reference: the same tone in 16 x 48,000 steps a second."""
    ready, level = Ready.of(amp("vetch")), 0.3
    runs = {}
    for more in (2, 16):
        tone = level * np.sin(2 * np.pi * 1e3 * np.arange(1, round(0.03 * 48e3 * more) + 1) / (48e3 * more))
        volts = ready.heard(tone, 48_000 * more).outputs[more - 1 : len(tone), 0]
        runs[more] = resampled(volts, 48_000 * more, 48_000)[-960:-480]
    off, exact = (np.abs(np.fft.rfft(each)[1:200]) for each in (runs[2] - runs[16], runs[16]))
    found = ready.step_error_db(level)
    assert found == pytest.approx(20 * np.log10(np.linalg.norm(off) / np.linalg.norm(exact)), abs=2.0)
    assert found > -60.0
    note = signal("sine", level_v=level, hertz=1e3, seconds=0.05)
    coarse, fine = (listen(amp("vetch"), what=note, fine=each) for each in (False, True))
    assert fine.after.played.rate_hz > coarse.after.played.rate_hz
    assert fine.after.step_error_db < -60.0 < coarse.after.step_error_db
    assert "96,000 steps a second leave an error of" in coarse.table("output").note
    assert "calculation error" in str(coarse)
    assert "calculation error" not in str(fine)


def test_an_amp_that_oscillates_is_played_only_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    note = signal("step", level_v=0.0, seconds=0.05)
    with pytest.raises(SolveError, match="oscillates near 865 kHz"):
        listen(amp("ultralinear"), what=note)
    heard = listen(amp("ultralinear"), what=note, unstable=True)
    assert np.isfinite(heard.after.volts).all()
    assert "too long for 865 kHz" in heard.table("output").note
    assert [each.code for each in heard.after.view.idle_dangers] == ["oscillates"]
    assert main(["listen", str(FILES / "ultralinear.toml")]) == 1
    assert "Add --unstable" in " ".join(capsys.readouterr().err.split())


def test_a_folder_that_cannot_be_written_is_said_before_the_sound(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="existing folder"):
        listen(amp("vetch"), what=signal("step"), folder=tmp_path / "none", progress=pytest.fail)


def test_what_was_stopped_is_said_and_kept(tmp_path: Path) -> None:
    def stop(share: float) -> None:
        if share > 0.2:
            raise KeyboardInterrupt

    result = listen(amp("vetch"), what=signal("sine", seconds=0.5), folder=tmp_path, progress=stop)
    assert 0.05 < result.seconds < 0.3
    assert f"stopped after {result.seconds:.3g} s of 0.5 s" in result.headline()
    assert len(read_sound(tmp_path / "vetch after.wav")[0]) == len(result.after.volts)


def test_a_meter_shows_a_step_as_the_standard_has_it() -> None:
    shown = meter(np.ones(2000), 0.0, 1000.0)
    assert shown[299] == pytest.approx(0.99, abs=0.002)
    assert 1.01 <= shown.max() <= 1.015
    assert shown[-1] == pytest.approx(1.0, abs=1e-3)
    assert meter(np.full(50, 0.03), 0.03, 1000.0) == pytest.approx(0.03)


def test_what_is_heard_has_no_more_samples_than_what_went_in() -> None:
    assert len(resampled(resampled(np.zeros(441), 44100, 88200), 88200, 44100)) == 441
    assert len(play_amp(amp("vetch"), np.zeros(441), 44100).volts) == 441


def test_the_command_writes_both_at_one_level(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["listen", "vetch", "V2.emission=0.7", "--seconds", "0.3", "--to", str(tmp_path)]
    assert main(words) == 0
    text = capsys.readouterr().out
    assert len(text.splitlines()) <= 25
    assert "before played" in text
    assert "Files at one RMS level" in text
    assert "What you hear is the tone" not in text  # in the whole answer
    sounds = [read_sound(place)[0] for place in sorted(tmp_path.iterdir())]
    assert [place.name for place in sorted(tmp_path.iterdir())] == ["vetch after.wav", "vetch before.wav"]
    assert np.std(sounds[0]) == pytest.approx(np.std(sounds[1]), rel=0.02)
    assert 0.85 < max(np.abs(each).max() for each in sounds) < 0.9
    assert main(words) == 2
    assert "already" in capsys.readouterr().err
    assert main([*words, "--overwrite", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["before"]["rms_v"] > answer["after"]["rms_v"] > 0.0
    assert len(answer["after"]["tubes"]) == 1
