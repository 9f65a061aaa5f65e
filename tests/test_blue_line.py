"""The bar for expression: a bluesy line, sung in audio, yields no rows where the style keeps it."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from planner.demo.driven import VOICE_VOWELS, DrivenNote, DrivenSound, phrase
from planner.demo.tones import SR, mix
from planner.pitch import midi_to_hz, shift_hz
from planner.run import plan_session
from planner.words.plan_model import Plan

# Third phrase note: 345 cents above C, between minor (316) and major (386).
PHRASE = ((60, 0), (62, 4), (63, 45), (60, -5), (67, 6), (65, -3))
ENDS = (72, 70, 69, 74)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four rounds of a phrase in half a minute, with scoops and wide vibrato."""
    place = tmp_path_factory.mktemp("blue")
    (place / "stems").mkdir()
    rng = np.random.default_rng(3)
    voice = DrivenSound(formants=VOICE_VOWELS["a"], consonant_db=-20.0)
    sounds = []
    for k in range(4):
        notes = []
        for i, (midi, off) in enumerate((*PHRASE, (ENDS[k], 3))):
            held = i in (4, 6)
            notes.append(
                DrivenNote(
                    f1_hz=shift_hz(midi_to_hz(midi), off + rng.normal(0, 2.0)),
                    length_s=1.4 if held else 0.6,
                    scoop_cents=-90.0 if i in (0, 4) else 0.0,
                    vibrato_half_cents=45.0 if held else 0.0,
                    new_bow=i > 0,
                )
            )
        sounds.append((0.5 + 7.0 * k, phrase(notes, voice, rng)))
    samples = mix(sounds, 29.0).samples
    samples = 0.4 * samples / np.abs(samples).max() + 1e-4 * rng.standard_normal(len(samples))
    soundfile.write(place / "stems" / "lead.wav", samples, SR, subtype="PCM_24")
    return place


def planned(folder: Path, judging: str, key: str) -> Plan:
    path = folder / f"{judging}{len(key)}.yaml"
    path.write_text(
        f"version: 1\nsong: Slow Ferry\naudio_folder: stems\npitch_reference: {{a4_hz: 440.0}}\n"
        f"judging: {judging}\n{key}stems:\n"
        "  - {code: LV, file: lead.wav, role: lead-voice}\n"
    )
    return plan_session(path, jobs=1).plan


def test_no_rows_in_blue_hour(folder: Path) -> None:
    """Vibrato, scoops and consistent blue thirds: no row, with the key given and without."""
    made = planned(folder, "blue-hour", "key: [{bar: 1, tonic: C, mode: minor}]\n")
    assert len(made.judged) == 28
    assert made.rows == ()
    kept = [j.rule_name for j in made.judged if j.target.intended_midi == 63]
    assert kept == ["blue note"] * 4
    without = planned(folder, "blue-hour", "")
    assert without.rows == ()
    kept = [j.rule_name for j in without.judged if j.target.intended_midi == 63]
    assert kept == ["comes round the same"] * 4
