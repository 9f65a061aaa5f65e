"""Two microphones of one performance are told from two players in unison."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt
from tones.exact import faded, laid_out, measured_notes, moments, stem_of, tone, with_floor

from planner.inspect.inspection_one_source import one_source_findings
from planner.model import AudioFacts, Floats, MeasuredNote, Measurement, Note, Role, StemNotes
from planner.pitch import midi_to_hz

SR = 48_000


def part(
    code: str, *, seed: int, spread: float = 5.0, role: Role = "bowed", count: int = 40
) -> StemNotes:
    """One player's notes on a scale: pitch, start and level are that player's own."""
    rng = np.random.default_rng(seed)
    notes = []
    for i in range(count):
        hz = midi_to_hz(60 + (0, 2, 4, 5, 7)[i % 5] + spread * float(rng.normal()) / 100)
        start_s = 1.0 + 0.5 * i + 0.012 * float(rng.normal())
        note = Note(
            stem=code, start_s=start_s, end_s=start_s + 0.4, start_smp=round(start_s * SR),
            end_smp=round((start_s + 0.4) * SR), pitch_hz=hz, strength=1.0, pitched_share=1.0,
            level_db=-20.0 + 2.0 * float(rng.normal()), begins="attack",
        )  # fmt: skip
        measured = Measurement(heard_hz=hz, sustain_hz=hz, confidence="firm")
        notes.append(MeasuredNote(id=f"{code}-{i:04d}", note=note, measurement=measured))
    return StemNotes(code=code, role=role, facts=None, notes=tuple(notes))


def again(
    stem: StemNotes, code: str, *, later_s: float = 0.0, off_s: float = 0.0,
    off_cents: float = 0.0, off_db: float = 0.0,
) -> StemNotes:  # fmt: skip
    """The same performance in another file, or nearly."""
    rng = np.random.default_rng(9)
    notes = []
    for n in stem.notes:
        at_s = n.note.start_s + later_s + off_s * float(rng.normal())
        hz = n.note.pitch_hz * 2 ** (off_cents * float(rng.normal()) / 1200)
        note = replace(
            n.note, start_s=at_s, level_db=n.note.level_db - 6.0 + off_db * float(rng.normal())
        )
        notes.append(
            replace(n, note=note, measurement=replace(n.measurement, heard_hz=hz, sustain_hz=hz))
        )
    return replace(stem, code=code, notes=tuple(notes))


def said(*stems: StemNotes) -> list[str]:
    return [found.what for found in one_source_findings(stems)]


def test_a_second_microphone_is_asked_about() -> None:
    """All of it 7 ms later, levels squeezed by an amplifier: the hand is the same."""
    one = part("GTR", seed=1)
    assert said(one, again(one, "AMP", later_s=0.007, off_s=0.002, off_cents=0.5, off_db=4.0)) == [
        "GTR and AMP hold the same 40 notes to the cent and the millisecond, AMP 7 ms later: one "
        "performance?"
    ]


def test_the_later_file_goes_under_linked_of_the_earlier_one() -> None:
    """Whatever order the session names them in."""
    one = part("GTR", seed=1)
    (found,) = one_source_findings([again(one, "AMP", later_s=0.007), one])
    assert found.stem == "AMP"
    assert "put the file of AMP under linked of GTR" in found.advice


@pytest.mark.parametrize(
    ("off_s", "off_cents", "told"),
    [
        (0.0, 0.0, True),
        (0.003, 0.8, True),
        (0.012, 0.0, False),
        (0.0, 2.0, False),
        (0.006, 0.3, True),
        (0.006, 2.0, False),
    ],
)
def test_players_do_not_agree_to_the_cent_and_the_millisecond(
    off_s: float, off_cents: float, told: bool
) -> None:
    """Both sides of either edge."""
    one = part("BV1", seed=2)
    assert bool(said(one, again(one, "BV2", off_s=off_s, off_cents=off_cents))) is told


def test_starts_that_differ_need_a_hand() -> None:
    """Of keys, all in tune, starts 6 ms apart say two performances, as loud as they are."""
    keys = part("PNO", seed=2, spread=0.01)
    assert said(keys, again(keys, "ORG", off_s=0.003)) != []
    assert said(keys, again(keys, "ORG", off_s=0.006)) == []


def test_two_players_in_unison_are_two() -> None:
    """Common practice, no source: good players scatter by 10 ms and by some cents."""
    assert said(*[part(code, seed=k) for k, code in enumerate(("VN1", "VN2", "VA", "CEL"))]) == []


@pytest.mark.parametrize(("off_db", "told"), [(0.3, True), (3.0, False)])
def test_keys_in_tune_with_each_other_say_nothing_by_pitch(off_db: float, told: bool) -> None:
    """An organ beside a piano that one file of notes plays: only levels can tell a copy."""
    piano = part("PNO", seed=3, spread=0.1, role="tuning-reference")
    assert bool(said(piano, again(piano, "ORG", off_db=off_db))) is told


def test_programmed_and_few_notes_are_left() -> None:
    """A programmed part may well be doubled by another sound; eleven notes are too few."""
    one = part("SYN", seed=4)
    assert said(one, replace(again(one, "PAD"), role="sampled")) == []
    few = part("SYN", seed=4, count=11)
    assert said(few, again(few, "PAD")) == []


def test_the_same_file_is_told_by_its_sum() -> None:
    """It is asked about where files are gone over, not a second time here."""
    facts = AudioFacts(
        file="a.wav", container="WAV", subtype="PCM_24", sr=SR, channels=1, frames=SR * 30,
        sha256="ab" * 32, time_reference_smp=None, peak_dbfs=-3.0,
        dc_db=-90.0, flat_tops=0, stereo="mono", measured_side="mono",
    )  # fmt: skip
    one = replace(part("GTR", seed=1), facts=facts)
    assert said(one, again(one, "AMP")) == []
    assert len(said(one, replace(again(one, "AMP"), facts=replace(facts, sha256="cd" * 32)))) == 1


def amplified(samples: Floats, rng: np.random.Generator) -> Floats:
    """Driven hard, its lows and highs cut, 1.2 ms later, 15 dB down, with hum's worth of noise."""
    driven = np.tanh(4.0 * samples / np.abs(samples).max())
    band = sosfilt(butter(2, [60, 3500], "bandpass", fs=SR, output="sos"), driven)
    late = np.concatenate([np.zeros(57), band])[: len(samples)]
    return 0.18 * late / np.abs(late).max() + 1e-4 * rng.standard_normal(len(samples))


def test_an_amplifier_is_heard_as_the_same_hand() -> None:
    """Measured from sound: a played bass line, straight and through an amplifier."""
    rng = np.random.default_rng(5)
    line = []
    for k in range(16):
        f_hz = midi_to_hz(33 + (0, 3, 5, 7)[k % 4] + float(rng.normal(0, 0.06)))
        cents = 6.0 * np.exp(-moments(0.45, SR) / 0.08)
        sound = tone(f_hz * 2 ** (cents / 1200), SR, rng, b=1e-4, decay_s=0.7)
        line.append((0.3 + 0.5 * k + float(rng.normal(0, 0.01)), faded(sound, SR, rise_s=0.003)))
    straight = with_floor(0.3 * laid_out(line, 9.0, SR), -70, rng)
    stems = []
    for code, samples in (("BAS", straight), ("AMP", amplified(straight, rng))):
        found = measured_notes(stem_of(samples, SR, "bass-fretted"))
        notes = [
            MeasuredNote(id=f"{code}-{k}", note=n, measurement=m) for k, (n, m) in enumerate(found)
        ]
        stems.append(StemNotes(code=code, role="bass-fretted", facts=None, notes=tuple(notes)))
    assert len(said(*stems)) == 1
