"""Low Tide Ledger by Mothwick Ferry: sixteen bars in D that nobody ever played.

The piano stands at A4 = 441 Hz and everybody else tuned to something: both guitars to 440, one fret
of the lead guitar is high wherever it is played, the bass is plucked hard in the verse, the singer
holds the title word low once and runs out of breath once. What is wrong is written here in cents,
so that a plan made of the demo can be judged.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from planner.demo.driven import CELLO_BODY, VOICE_VOWELS, DrivenNote, DrivenSound, phrase, shaker
from planner.demo.tones import PianoSound, Sound, StringSound, mix, plucked, struck, strummed
from planner.pitch import midi_to_hz, parse_note, shift_hz

BPM = 92.0
BAR_ONE_AT_S = 0.5
BARS = 16
PIANO_A4_HZ = 441.0
CLIP_ON_A4_HZ = 440.0  # what the guitarists' tuners were set to
SHARP_FRET = "C#4"
SHARP_FRET_CENTS = 9.0
TITLE_WORD_CENTS = -21.0  # bar 10
TAIL_SAG_CENTS = -26.0  # bar 12
STACCATO_SHARP_CENTS = 34.0  # at the instant of the pluck, bars 1 to 8

_BEAT_S = 60.0 / BPM
LENGTH_S = BAR_ONE_AT_S + (4 * BARS + 3) * _BEAT_S

_CHORDS = ("D A/C# Bm G D A G A " + "G D A Bm G D A D").split()
_PIANO = {
    "D": "D3 A3 F#4 A4", "A/C#": "C#3 A3 E4", "Bm": "B2 F#3 D4", "G": "G2 D3 B3", "A": "A2 E3 C#4",
}  # fmt: skip
_ACOUSTIC = {
    "D": "D3 A3 D4 F#4", "A/C#": "C#3 A3 C#4 E4", "Bm": "B2 F#3 B3 D4", "G": "G2 D3 G3 B3",
    "A": "A2 E3 A3 C#4",
}  # fmt: skip
_ARPEGGIO = {
    "D": "A3 D4 C#4 D4", "A/C#": "A3 C#4 E4 C#4", "Bm": "B3 D4 F#4 D4", "G": "B3 D4 G4 D4",
    "A": "E4 C#4 A3 C#4",
}  # fmt: skip
_BASS = {"D": "D2", "A/C#": "C#2", "Bm": "B1", "G": "G1", "A": "A1"}
_BASS_FIFTH = {"D": "A2", "A/C#": "A1", "Bm": "F#2", "G": "D2", "A": "E2"}
_CELLO = ("A3 G3 F#3 G3 A3 E3 D3 E3 " + "D3 F#3 E3 D3 G3 F#3 E3 D3").split()

# Lead voice: bar, first beat, then lengths in beats and notes; ~ is sung on in the same syllable.
_PHRASES = (
    (1, 1.0, "1:F#4 .5:~G4 1.5:A4 1:F#4 2.5:E4"),
    (3, 1.0, "1:D4 .5:E4 1.5:~F#4 1:D4 2.5:B3"),
    (5, 1.0, "1:F#4 1:A4 1:B4 1:~A4 2.5:E4"),
    (7, 1.0, "1:G4 .5:F#4 1.5:E4 1:~D4 3:E4"),
    (9, 1.0, "1.5:B4 .5:~A4 1:B4 1:G4 3:A4"),
    (11, 1.0, "1:C#5 1:B4 1:~A4 1:E4 3.6:F#4"),
    (13, 1.0, "1.5:B4 .5:~A4 1:B4 1:D5 3:A4"),
    (15, 1.0, "1:E4 1:F#4 2:~E4 3.5:D4"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoStem:
    """One part of the song before it meets a room."""

    code: str
    file: str
    role: str
    sound: Sound
    together: bool  # played in one room with the others, so that they leak into each other
    more: str = ""  # further fields of its line in the session file


def at_s(bar: int, beat: float) -> float:
    """Give the time of a bar and beat, seconds from the start of every file."""
    return BAR_ONE_AT_S + (4 * (bar - 1) + beat - 1) * _BEAT_S


def low_tide_ledger() -> tuple[DemoStem, ...]:
    """Play every part of the song; the same samples on every call."""
    return tuple(
        DemoStem(
            code=code,
            file=f"LTL_{name}.wav",
            role=role,
            sound=play(np.random.default_rng([1789, number])),
            together=together,
            more=more,
        )
        for number, (code, name, role, play, together, more) in enumerate(_PARTS)
    )


# ------------------------------------------------------------------------------ the parts


def _piano(rng: np.random.Generator) -> Sound:
    piano = PianoSound(hardness=1.1, strings_apart_cents=0.2)
    sounds = []
    for bar, chord in enumerate(_CHORDS, start=1):
        last = bar == BARS
        for beat in (1.0,) if last else (1.0, 3.0):
            length_s = (4.0 if last else 1.95) * _BEAT_S
            level = 0.9 if beat == 1.0 else 0.7
            for name in _PIANO[chord].split():
                midi = parse_note(name)
                # Octaves a little wide, as tuners leave them; A4 itself stands at 441.
                stretch_cents = 6.0 * ((midi - 69) / 36.0) ** 3
                f1_hz = shift_hz(midi_to_hz(midi, PIANO_A4_HZ), stretch_cents)
                start_s = at_s(bar, beat) + float(rng.uniform(0.0, 0.008))
                sounds.append((start_s, struck(f1_hz, midi, length_s, piano, rng, level=level)))
    return mix(sounds, LENGTH_S)


def _bass(rng: np.random.Generator) -> Sound:
    string = StringSound(
        b=1.2e-4, pick_at=0.2, brightness=0.9, decay_s=1.8, settle_s=0.07, attack_s=0.005,
        attack_noise_db=-30.0, damp_s=0.012,
    )  # fmt: skip
    hard = replace(string, sharp_at_onset_cents=STACCATO_SHARP_CENTS)
    soft = replace(string, sharp_at_onset_cents=4.0)
    sounds = []
    for bar, chord in enumerate(_CHORDS, start=1):
        root, fifth = _BASS[chord], _BASS_FIFTH[chord]
        if bar <= 8:
            played = [(beat, root, 0.3, hard) for beat in (1.0, 2.0, 3.0, 4.0)]
        elif bar < BARS:
            played = [(1.0, root, 1.9 * _BEAT_S, soft), (3.0, fifth, 1.8 * _BEAT_S, soft)]
        else:
            played = [(1.0, root, 4.0 * _BEAT_S, soft)]
        for beat, name, length_s, how in played:
            f1_hz = midi_to_hz(parse_note(name), PIANO_A4_HZ)
            f1_hz = shift_hz(f1_hz, float(rng.normal(0.0, 1.5)))
            start_s = at_s(bar, beat) + float(rng.normal(0.0, 0.004))
            level = float(rng.uniform(0.8, 1.0))
            sounds.append((start_s, plucked(f1_hz, length_s, how, rng, level=level)))
    return mix(sounds, LENGTH_S)


def _lead_guitar(rng: np.random.Generator) -> Sound:
    string = StringSound(
        b=6e-5, pick_at=0.14, brightness=1.05, decay_s=1.5, sharp_at_onset_cents=6.0,
        settle_s=0.1, attack_noise_db=-30.0, damp_s=0.015,
    )  # fmt: skip
    sounds = []
    for bar, chord in enumerate(_CHORDS, start=1):
        names = ["D4"] if bar == BARS else _ARPEGGIO[chord].split()
        for beat, name in enumerate(names, start=1):
            off_cents = float(rng.normal(0.0, 1.2))
            if name == SHARP_FRET:
                off_cents += SHARP_FRET_CENTS
            f1_hz = shift_hz(midi_to_hz(parse_note(name), CLIP_ON_A4_HZ), off_cents)
            length_s = (3.5 if bar == BARS else 0.93) * _BEAT_S
            start_s = at_s(bar, beat) + float(rng.normal(0.0, 0.005))
            level = float(rng.uniform(0.7, 1.0))
            sounds.append((start_s, plucked(f1_hz, length_s, string, rng, level=level)))
    return mix(sounds, LENGTH_S)


def _acoustic_guitar(rng: np.random.Generator) -> Sound:
    string = StringSound(
        b=7e-5, pick_at=0.23, brightness=1.2, decay_s=0.9, sharp_at_onset_cents=3.0,
        settle_s=0.06, attack_noise_db=-26.0, damp_s=0.02,
    )  # fmt: skip
    strings_cents = {name: float(rng.normal(0.0, 1.0)) for name in "ABCDEFG"}
    sounds = []
    for bar, chord in enumerate(_CHORDS, start=1):
        last = bar == BARS
        for beat in (1.0,) if last else (1.0, 3.0):
            length_s = (4.0 if last else 1.9) * _BEAT_S
            strum = []
            for name in _ACOUSTIC[chord].split():
                f1_hz = midi_to_hz(parse_note(name), CLIP_ON_A4_HZ)
                f1_hz = shift_hz(f1_hz, strings_cents[name[0]])
                level = float(rng.uniform(0.7, 1.0))
                strum.append(plucked(f1_hz, length_s, string, rng, level=level))
            start_s = at_s(bar, beat) + float(rng.normal(0.0, 0.005))
            sounds.append((start_s, strummed(strum, 0.009)))
    return mix(sounds, LENGTH_S)


def _lead_voice(rng: np.random.Generator) -> Sound:
    sound = DrivenSound(
        formants=VOICE_VOWELS["a"], attack_s=0.045, release_s=0.09, slide_s=0.07,
        jitter_cents=2.5, noise_db=-42.0, consonant_db=-30.0,
    )  # fmt: skip
    sounds = []
    for bar, beat, words in _PHRASES:
        notes = _sung(words, rng, error_sd_cents=3.0, scoop_cents=-45.0, vibrato_half_cents=28.0)
        if bar == 9:
            notes[-1] = replace(notes[-1], f1_hz=shift_hz(_voice_hz("A4"), TITLE_WORD_CENTS))
        if bar == 11:
            notes[-1] = replace(notes[-1], f1_hz=_voice_hz("F#4"), end_cents=TAIL_SAG_CENTS)
        sounds.append((at_s(bar, beat), phrase(notes, sound, rng)))
    return mix(sounds, LENGTH_S)


def _double(rng: np.random.Generator) -> Sound:
    sound = DrivenSound(
        slope_db_per_octave=-10.5, formants=VOICE_VOWELS["o"], attack_s=0.055, release_s=0.08,
        slide_s=0.09, jitter_cents=3.0, noise_db=-40.0, consonant_db=-36.0,
    )  # fmt: skip
    sounds = []
    for bar, beat, words in _PHRASES[4:]:  # the double joins for the chorus
        notes = _sung(words, rng, error_sd_cents=5.0, scoop_cents=-25.0, vibrato_half_cents=14.0)
        late_s = float(rng.uniform(0.01, 0.03))
        sounds.append((at_s(bar, beat) + late_s, phrase(notes, sound, rng)))
    return mix(sounds, LENGTH_S)


def _sung(
    words: str,
    rng: np.random.Generator,
    *,
    error_sd_cents: float,
    scoop_cents: float,
    vibrato_half_cents: float,
) -> list[DrivenNote]:
    """Read ``beats:note`` pairs into one breath; the last note leaves time to breathe."""
    notes = []
    pieces = words.split()
    for k, piece in enumerate(pieces):
        beats, name = piece.split(":")
        held = float(beats) >= 1.5
        last = k == len(pieces) - 1
        notes.append(
            DrivenNote(
                f1_hz=shift_hz(_voice_hz(name.lstrip("~")), float(rng.normal(0, error_sd_cents))),
                length_s=float(beats) * _BEAT_S * (0.9 if last else 1.0),
                scoop_cents=scoop_cents if k == 0 else 0.0,
                scoop_s=0.04,
                vibrato_half_cents=vibrato_half_cents if held else 0.0,
                vibrato_hz=5.7,
                vibrato_after_s=0.3,
                level=float(rng.uniform(0.75, 1.0)),
                new_bow=k > 0 and not name.startswith("~"),
            )
        )
    return notes


def _voice_hz(name: str) -> float:
    return midi_to_hz(parse_note(name), PIANO_A4_HZ)


def _cello(rng: np.random.Generator) -> Sound:
    sound = DrivenSound(
        slope_db_per_octave=-6.0, formants=CELLO_BODY, top_hz=8000.0, attack_s=0.09,
        release_s=0.15, slide_s=0.05, jitter_cents=1.5,
    )  # fmt: skip
    sounds = []
    for first in (5, 9, 13):  # it enters in the second half of the verse: four bars a bow pair
        notes = [
            DrivenNote(
                f1_hz=shift_hz(_voice_hz(_CELLO[bar - 1]), float(rng.normal(0.0, 2.5))),
                length_s=4.0 * _BEAT_S * (0.95 if bar == first + 3 else 1.0),
                vibrato_half_cents=14.0,
                vibrato_hz=5.3,
                level=0.9,
                new_bow=bar % 2 == 1,
            )
            for bar in range(first, first + 4)
        ]
        sounds.append((at_s(first, 1.0), phrase(notes, sound, rng)))
    return mix(sounds, LENGTH_S)


def _shaker(rng: np.random.Generator) -> Sound:
    sounds = [
        (at_s(bar, beat), shaker(0.45 * _BEAT_S, rng, level=1.0 if beat % 2 == 0 else 0.6))
        for bar in range(1, BARS)
        for beat in np.arange(1.0, 5.0, 0.5)
    ]
    return mix(sounds, LENGTH_S)


_PARTS: tuple[tuple[str, str, str, Callable[[np.random.Generator], Sound], bool, str], ...] = (
    ("PNO", "PIANO", "tuning-reference", _piano, True, ""),
    ("BAS", "BASS_DI", "bass-fretted", _bass, False, "strings: [E1, A1, D2, G2]"),
    ("EGL", "EG_LEAD", "fretted", _lead_guitar, False, "strings: [E2, A2, D3, G3, B3, E4]"),
    ("AGT", "ACOUSTIC", "fretted-chords", _acoustic_guitar, True,
     "strings: [E2, A2, D3, G3, B3, E4]"),
    ("LV", "LV_comp", "lead-voice", _lead_voice, False, "range: [A3, D5]"),
    ("BV", "LV_double", "voice-double", _double, False, "sung_with: LV"),
    ("CEL", "CELLO", "bowed", _cello, False, ""),
    ("SHK", "SHAKER", "exclude", _shaker, True, ""),
)  # fmt: skip
