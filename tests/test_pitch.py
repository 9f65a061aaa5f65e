"""Hz, cents, MIDI notes and names, against the tuning standard and the definitions."""

import math

import mir_eval.melody
import numpy as np
import pytest

from planner.pitch import cents, hz_to_midi, midi_to_hz, note_name, parse_note, shift_hz

# Frequencies of octaves and semitones of the equal scale at A4 = 440 (ISO 16:1975 for A4; the
# others are those printed in the MIDI Tuning Standard, four decimals, where it prints them right).
MIDI_TUNING_PRINTED = {0: 8.1758, 1: 8.6620, 12: 16.3516, 60: 261.6256, 69: 440.0}
# Examples that the MIDI Tuning Standard prints wrong: bytes, printed Hz. The definition stands.
MIDI_TUNING_MISPRINTS = {
    (0x00, 0x00, 0x01): 8.2104,
    (0x3D, 0x00, 0x00): 277.1827,  # last digit
    (0x78, 0x00, 0x01): 8372.0630,
    (0x7F, 0x00, 0x00): 12543.8800,
    (0x7F, 0x00, 0x01): 12543.9200,
    (0x7F, 0x7F, 0x7E): 13289.7300,
}


def _tuning_bytes_to_midi(note: int, high: int, low: int) -> float:
    """MIDI Tuning Standard: a semitone and a 14-bit fraction of 100 cents."""
    return note + (high * 128 + low) / 16384


def test_eighty_eight_keys() -> None:
    """Piano key n of 88 sounds 440 * 2 ** ((n - 49) / 12) Hz, A0 to C8 (ISO 16:1975, A4 = 440)."""
    for key in range(1, 89):
        assert midi_to_hz(key + 20) == pytest.approx(440.0 * 2 ** ((key - 49) / 12), rel=1e-14)
    assert midi_to_hz(21) == pytest.approx(27.5, abs=1e-12)
    assert midi_to_hz(108) == pytest.approx(4186.0090, abs=5e-5)


@pytest.mark.outside
def test_frequencies_of_the_midi_tuning_standard() -> None:
    """Frequencies agree with those that the MIDI Tuning Standard prints, to its four decimals."""
    for midi, hz in MIDI_TUNING_PRINTED.items():
        assert round(midi_to_hz(midi), 4) == pytest.approx(hz, abs=1e-9)
    assert midi_to_hz(_tuning_bytes_to_midi(0x44, 0x7F, 0x7F)) == pytest.approx(439.9984, abs=5e-5)
    assert midi_to_hz(_tuning_bytes_to_midi(0x45, 0x00, 0x01)) == pytest.approx(440.0016, abs=5e-5)


@pytest.mark.outside
def test_misprints_of_the_midi_tuning_standard() -> None:
    """Where the MIDI Tuning Standard's examples contradict its definition, the definition wins."""
    for tuning, printed_hz in MIDI_TUNING_MISPRINTS.items():
        by_definition = 440.0 * 2 ** ((_tuning_bytes_to_midi(*tuning) - 69) / 12)
        assert midi_to_hz(_tuning_bytes_to_midi(*tuning)) == pytest.approx(by_definition, rel=1e-14)
        assert round(by_definition, 4) != printed_hz


@pytest.mark.outside
@pytest.mark.parametrize(
    ("a4_hz", "tuning"),
    [
        (442, (0x45, 0x0A, 0x06)), (441, (0x45, 0x05, 0x04)), (443, (0x45, 0x0F, 0x07)),
        (435, (0x44, 0x66, 0x56)), (432, (0x44, 0x57, 0x2B)), (415, (0x43, 0x7E, 0x30)),
    ],
)  # fmt: skip
def test_reference_pitches_as_tuning_bytes(a4_hz: float, tuning: tuple[int, int, int]) -> None:
    """A frequency and its three MIDI Tuning Standard bytes agree within half a step (0.0031 c)."""
    assert abs(hz_to_midi(a4_hz) - _tuning_bytes_to_midi(*tuning)) * 100 <= 0.5 * 100 / 16384


@pytest.mark.parametrize(
    ("a4_hz", "off_cents"),
    [(415, -101.271), (430, -39.800), (432, -31.767), (435, -19.786), (441, 3.930), (442, 7.851),
     (443, 11.764), (466, 99.392)],
)  # fmt: skip
def test_plus_is_sharp(a4_hz: float, off_cents: float) -> None:
    """442 against 440 Hz is 7.851 cents sharp; values of 1200 log2 (Ellis 1885), three decimals."""
    assert cents(a4_hz, 440.0) == pytest.approx(off_cents, abs=5e-4)
    assert cents(440.0, a4_hz) == pytest.approx(-off_cents, abs=5e-4)


@pytest.mark.outside
def test_cents_agree_with_mir_eval() -> None:
    """Cents differ as mir_eval's do, which counts them from 10 Hz."""
    hz = np.array([27.5, 82.407, 440.0, 441.0, 4186.009])
    theirs = mir_eval.melody.hz2cents(hz)
    assert [cents(f, 10.0) for f in hz] == pytest.approx(list(theirs), abs=1e-9)


def test_shift_undoes_cents() -> None:
    """Adding what is missing lands on the target, and one cent is a ratio of 1.0005777895."""
    for played, target in ((431.3, 440.0), (61.0, 65.406), (3000.0, 2999.0)):
        assert shift_hz(played, -cents(played, target)) == pytest.approx(target, rel=1e-13)
    assert shift_hz(1.0, 1.0) == pytest.approx(1.0005777895, abs=5e-11)
    assert shift_hz(1.0, 100.0) == pytest.approx(1.0594630944, abs=5e-11)


def test_midi_and_hz_are_inverse_at_any_a4() -> None:
    """A fractional MIDI number survives the way to Hz and back at any A4."""
    for a4_hz in (415.0, 440.0, 441.03, 466.0):
        for midi in (21.0, 47.37, 69.0, 108.0):
            assert hz_to_midi(midi_to_hz(midi, a4_hz), a4_hz) == pytest.approx(midi, abs=1e-10)
    assert midi_to_hz(74, 441.0) == pytest.approx(441.0 * 1.3348398542, abs=1e-7)


def test_names_and_numbers() -> None:
    """C4 is middle C, MIDI 60 (ANSI S1.1 octave numbers, from memory); every name reads back."""
    assert (note_name(60), note_name(69), note_name(70), note_name(61)) == (
        "C4",
        "A4",
        "Bb4",
        "C#4",
    )
    assert [parse_note(note_name(midi)) for midi in range(128)] == list(range(128))
    assert (parse_note("B-1"), parse_note("Cb4"), parse_note("B#3"), parse_note("Abb4")) == (
        11, 59, 60, 67,
    )  # fmt: skip
    assert parse_note(" e♭2 ") == parse_note("D♯2") == 39


@pytest.mark.parametrize("text", ["H4", "A", "4A", "A#b4", "", "A4.5"])
def test_no_note_name(text: str) -> None:
    """A text that is no note name is refused with an example of one."""
    with pytest.raises(ValueError, match="is no note name; write a letter, # or b, and the octave"):
        parse_note(text)


@pytest.mark.parametrize("pair", [(0.0, 440.0), (440.0, -1.0), (math.nan, 440.0)])
def test_cents_of_nothing(pair: tuple[float, float]) -> None:
    """Cents of no frequency are refused, never 0 or infinite."""
    with pytest.raises(ValueError, match="cents needs frequencies above 0 Hz"):
        cents(*pair)
