"""The built-in instrument with a real FluidSynth: pitch by Fourier transform, times, levels, and what is missing."""

from __future__ import annotations

import io
import itertools
import sys
import wave

import numpy as np
import pytest

from router.core.units import NANOSECONDS
from router.devices.descriptions import Instrument
from router.devices.outputs import instrument, open_output
from router.devices.outputs.base import OutputError
from router.devices.outputs.instrument import LOUDEST, RATE, SILENCE, SoundFile, find_soundfont
from tests.shared.sine_bank import RELEASE_SECONDS, write_sine_bank

BLOCK = 64
"""FluidSynth's own block, in frames: its messages take effect from one to the next
(fluid_synth_process, FLUID_BUFSIZE).
"""


@pytest.fixture(scope="session")
def sine(tmp_path_factory) -> Instrument:
    return Instrument(str(write_sine_bank(tmp_path_factory.mktemp("bank") / "sine.sf2")))


def rendered(messages, device: Instrument | None) -> np.ndarray:
    """The frames, both channels, of messages with their times in seconds."""
    file = io.BytesIO()
    sound = SoundFile(file)
    output = sound.output("box", device)
    for seconds, *data in messages:
        output.send(tuple(data), round(seconds * NANOSECONDS))
    sound.close()
    file.seek(0)
    with wave.open(file) as read:
        assert (read.getnchannels(), read.getsampwidth(), read.getframerate()) == (2, 2, RATE)
        return np.frombuffer(read.readframes(read.getnframes()), dtype="<i2").reshape(-1, 2).astype(int)


def frequency(samples: np.ndarray) -> float:
    """The strongest frequency in hertz, from a Fourier transform, between its lines by a parabola."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    peak = int(spectrum.argmax())
    left, middle, right = np.log(spectrum[peak - 1 : peak + 2])
    return float((peak + (left - right) / (2 * (left - 2 * middle + right))) * RATE / len(samples))


def between(sound: np.ndarray, begin: float, end: float) -> np.ndarray:
    return sound[round(begin * RATE) : round(end * RATE)]


@pytest.mark.parametrize(("note", "hertz"), [(69, 440.0), (57, 220.0), (60, 261.625565), (81, 880.0), (62, 293.664768)])
def test_a_note_sounds_at_its_pitch(sine, note, hertz):
    """440 * 2 ** ((n - 69) / 12), A4 = 440 Hz: MIDI Tuning Standard, equal temperament."""
    sound = rendered([(0.5, 0x90, note, 80), (3, 0x80, note, 0)], sine)
    assert frequency(between(sound, 1, 2.5)[:, 0]) == pytest.approx(hertz, rel=1e-4)  # 0.17 cent


def test_an_a_of_a_real_soundfont_is_440_hertz():
    """By harmonics: a piano's strongest partial is not always its pitch, so each of the first ones votes."""
    sound = rendered([(0, 0xC0, 0), (0, 0x90, 69, 90), (3, 0x80, 69, 0)], None)
    samples = between(sound, 0.5, 2.5)[:, 0].astype(float)
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    hertz = np.fft.rfftfreq(len(samples), 1 / RATE)
    strength = {}
    for pitch in np.arange(400, 480, 0.25):
        strength[pitch] = sum(spectrum[np.abs(hertz - n * pitch).argmin()] for n in range(1, 7))
    assert max(strength, key=strength.__getitem__) == pytest.approx(440, abs=2)  # 8 cents: soundfonts are tuned by ear


def test_a_note_begins_and_ends_at_its_time_and_never_before(sine):
    begin, end = 1.2345678, 2.3456789
    sound = rendered([(begin, 0x90, 69, 100), (end, 0x80, 69, 0)], sine)
    loud = np.nonzero(np.abs(sound[:, 0]) > SILENCE)[0]
    assert 0 <= loud[0] - begin * RATE <= 2 * BLOCK
    assert np.abs(between(sound, end - 0.05, end)).max() > 1000
    silent_from = end + 10 * RELEASE_SECONDS
    assert np.abs(between(sound, silent_from + 1, silent_from + 2)).max(initial=0) <= SILENCE


def test_notes_an_hour_apart_stand_at_their_times(sine):
    """By the frame they are placed at: an hour of samples is too much to render in a test."""
    file = io.BytesIO()
    sound = SoundFile(file)
    output = sound.output("box", sine)
    hour = 3600 * NANOSECONDS
    output.send((0x90, 69, 80), hour + 1)
    output.send((0x80, 69, 0), hour + NANOSECONDS // RATE)
    _device, messages = sound._voices["box"]
    assert [frame for frame, _data in messages] == [3600 * RATE + 1, 3600 * RATE + 1]


def test_nothing_sounds_after_the_release_of_the_last_note():
    sound = rendered([(0, 0xC0, 0), (0, 0x90, 60, 90), (1, 0x80, 60, 0)], None)
    assert len(sound) < 12 * RATE
    assert np.abs(sound[-RATE // 100 :]).max() <= 30  # of 32767: it has died away, it is not cut off


def test_however_many_notes_however_loud_nothing_clips():
    messages = [(0, 0xC0, 19)]  # an organ, which does not decay
    messages += [(0, 0x90, 36 + 2 * i, 127) for i in range(24)]
    messages += [(1, 0x80, 36 + 2 * i, 0) for i in range(24)]
    sound = rendered(messages, Instrument(gain=2.0))
    assert LOUDEST // 4 < np.abs(sound).max() <= LOUDEST


def test_one_note_at_the_default_gain_is_gentle():
    sound = rendered([(0, 0xC0, 12), (0, 0x90, 60, 90), (1, 0x80, 60, 0)], None)
    assert 0.01 < np.abs(sound).max() / 32767 < 0.3


def test_a_harder_note_is_louder_and_the_gain_counts(sine):
    peaks = [np.abs(rendered([(0, 0x90, 69, v), (1, 0x80, 69, 0)], sine)).max() for v in (20, 50, 90, 127)]
    assert all(softer < harder for softer, harder in itertools.pairwise(peaks))
    half = Instrument(sine.soundfont, sine.gain / 2)
    assert np.abs(rendered([(0, 0x90, 69, 127), (1, 0x80, 69, 0)], half)).max() == pytest.approx(
        peaks[-1] / 2, rel=0.01
    )


def test_programs_and_drums_are_honoured():
    def one(channel: int, program: int, note: int = 60) -> np.ndarray:
        return rendered(
            [(0, 0xC0 | channel, program), (0, 0x90 | channel, note, 90), (0.5, 0x80 | channel, note, 0)], None
        )[: RATE // 2]

    flute, marimba = one(0, 73), one(0, 12)
    assert np.abs(flute - marimba).max() > 500
    assert np.abs(one(3, 73) - flute).max() <= 2 * SILENCE  # another channel, the same sound
    drum = one(9, 0, 38)[:, 0].astype(float)
    spectrum = np.abs(np.fft.rfft(drum * np.hanning(len(drum))))
    tone = np.abs(np.fft.rfft(flute[:, 0] * np.hanning(RATE // 2)))

    def flatness(power: np.ndarray) -> float:
        """Geometric over arithmetic mean: near 1 for noise, near 0 for a tone (common practice, no source)."""
        power = power[1:10_000] ** 2 + 1
        return float(np.exp(np.log(power).mean()) / power.mean())

    assert flatness(spectrum) > 10 * flatness(tone)  # channel 10 is drums: General MIDI System Level 1


def test_controllers_and_bends_reach_the_synth(sine):
    quiet = rendered([(0, 0xB0, 7, 40), (0, 0x90, 69, 100), (1, 0x80, 69, 0)], sine)
    loud = rendered([(0, 0xB0, 7, 100), (0, 0x90, 69, 100), (1, 0x80, 69, 0)], sine)
    assert np.abs(quiet).max() < np.abs(loud).max() / 2
    bent = rendered([(0, 0xE0, 0x7F, 0x7F), (0, 0x90, 69, 100), (2, 0x80, 69, 0)], sine)
    up = frequency(between(bent, 0.5, 1.5)[:, 0])
    assert up == pytest.approx(440 * 2 ** (2 / 12), rel=2e-3)  # 2 semitones (RP-018, from memory); 3.5 cents of leeway
    held = rendered([(0, 0xB0, 64, 127), (0, 0x90, 69, 90), (0.5, 0x90, 69, 0), (2, 0xB0, 64, 0)], sine)
    assert np.abs(between(held, 1, 1.9)).max() > 500  # the pedal holds what a note-on of velocity 0 ended


def test_two_outputs_sound_together_each_with_its_own_soundfont(sine):
    def render(names):
        file = io.BytesIO()
        sound = SoundFile(file)
        for name, note in names:
            output = sound.output(name, sine)
            output.send((0x90, note, 80), 0)
            output.send((0x80, note, 0), 2 * NANOSECONDS)
        sound.close()
        return np.frombuffer(file.getvalue()[44:], dtype="<i2").astype(int)

    one, other, both = render([("a", 69)]), render([("b", 76)]), render([("a", 69), ("b", 76)])
    assert np.abs(both - one[: len(both)] - other[: len(both)]).max() <= 2 * SILENCE


def test_the_same_messages_give_the_same_bytes():
    struck = [(i / 3, 0x90, 60 + i, 70) for i in range(6)]
    messages = [(0, 0xC0, 46), *struck, *((2 + i / 3, 0x80, 60 + i, 0) for i in range(6))]
    assert np.array_equal(rendered(messages, None), rendered(messages, None))


@pytest.mark.usefixtures("jack_server")
def test_live_it_plays_through_a_real_audio_driver(sine):
    output = open_output("box", sine)
    try:
        assert output.description.startswith("the built-in instrument (sine.sf2, ")
        output.send((0x90, 69, 80), 0)
        assert output._synth.synth.get_active_voice_count() == 1
        assert output.present()
    finally:
        output.close()
    output.close()
    output.send((0x90, 69, 80), 0)


def test_without_a_way_to_a_loudspeaker_it_says_so(monkeypatch, sine, capfd):
    monkeypatch.setattr(instrument, "DRIVERS", {sys.platform: ("nonesuch",)})
    with pytest.raises(OutputError, match="no way to a loudspeaker"):
        open_output("box", sine)
    assert capfd.readouterr() == ("", "")  # what the libraries said is not for the therapist


def test_without_fluidsynth_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "fluidsynth", None)
    with pytest.raises(OutputError, match="sudo apt install libfluidsynth3"):
        SoundFile(io.BytesIO()).output("box")
    with pytest.raises(OutputError, match="brew install fluid-synth"):
        open_output("box", Instrument())


def test_without_a_soundfont_it_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setattr(instrument, "FOLDERS", (tmp_path / "none",))
    monkeypatch.setattr("pathlib.Path.home", lambda: tmp_path)
    monkeypatch.delenv("ROUTER_SOUNDFONT", raising=False)
    with pytest.raises(OutputError, match="sudo apt install timgm6mb-soundfont"):
        find_soundfont()
    own = tmp_path / ".local/share/soundfonts"
    own.mkdir(parents=True)
    mine = write_sine_bank(own / "mine.sf2")
    assert find_soundfont() == mine
    other = write_sine_bank(tmp_path / "other.sf2")
    monkeypatch.setenv("ROUTER_SOUNDFONT", str(other))
    assert find_soundfont() == other
    with pytest.raises(OutputError, match="there is no soundfont"):
        find_soundfont(str(tmp_path / "nowhere.sf2"))


def test_a_file_that_is_no_soundfont_is_told_in_plain_words(tmp_path, capfd):
    wrong = tmp_path / "wrong.sf2"
    wrong.write_bytes(b"no soundfont at all")
    sound = SoundFile(io.BytesIO())
    sound.output("box", Instrument(str(wrong)))
    with pytest.raises(OutputError, match="cannot be read as a soundfont"):
        sound.close()
    assert capfd.readouterr() == ("", "")
