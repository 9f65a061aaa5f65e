"""What leaks in is turned down, what a stem plays itself is not, and nothing else changes."""

import numpy as np
import pytest

from planner.leaks.bleed import leaks_into, with_only_bleed
from planner.leaks.bleed_paths import how_stems_leak
from planner.leaks.leaks_out import Leak, matters, without_leaks
from planner.leaks.spectra import coarse_spectra
from planner.model import Floats
from planner.segment.single_line import find_notes
from tests.tones.exact import faded, laid_out, stem_of, tone, with_floor

SR = 16_000
LATE = round(0.008 * SR)
BASS_HZ = (55.0, 73.4, 65.4, 82.4, 61.7, 49.0, 58.3, 69.3)
CELLO_HZ = (165.3, 147.1, 196.4, 131.2, 185.6, 220.4, 175.0, 139.0)


def line(pitches_hz: tuple[float, ...], seed: int, apart_s: float = 1.0) -> Floats:
    """A bowed line of 24 s with a rest after each note."""
    rng = np.random.default_rng(seed)
    pieces = []
    for k in range(round(24.0 / apart_s)):
        hz = np.full(round(0.8 * apart_s * SR), pitches_hz[k % len(pitches_hz)])
        amplitudes = [n**-0.8 for n in range(1, 20)]
        pieces.append((k * apart_s + 0.1, faded(tone(hz, SR, rng, amplitudes=amplitudes), SR)))
    return with_floor(laid_out(pieces, 25.0, SR), -75.0, rng)


def late(samples: Floats, gain_db: float) -> Floats:
    return 10.0 ** (gain_db / 20.0) * np.concatenate([np.zeros(LATE), samples])[: len(samples)]


@pytest.fixture(scope="module")
def parts() -> tuple[Floats, Floats, Floats, tuple[Leak, ...]]:
    """A cello, a bass, the cello with the bass 16 dB under itself, and what leaks in there."""
    cello, bass = line(CELLO_HZ, 1), line(BASS_HZ, 2, apart_s=0.6)
    level_db = 10 * np.log10(np.mean(cello**2) / np.mean(bass**2)) - 16.0
    mixed = cello + late(bass, level_db)
    leaking = how_stems_leak({"CEL": coarse_spectra(mixed, SR), "BAS": coarse_spectra(bass, SR)})
    leaks = tuple(
        Leak(source=leaking.spectra[path.source], power_gain=path.power_gain)
        for path in leaking.into("CEL")
    )
    return cello, bass, mixed, leaks


def test_what_leaks_in_goes_and_the_part_itself_stays(
    parts: tuple[Floats, Floats, Floats, tuple[Leak, ...]],
) -> None:
    """In rests the leak falls by 15 dB and more; in notes the cello loses less than half a dB."""
    cello, _, mixed, leaks = parts
    own = without_leaks(mixed, SR, coarse_spectra(mixed, SR), leaks)
    assert own.shape == mixed.shape
    t_s = np.arange(len(mixed)) / SR % 1.0
    rest, held = (t_s > 0.0) & (t_s < 0.06), (t_s > 0.2) & (t_s < 0.8)
    assert np.mean(own[rest] ** 2) < np.mean(mixed[rest] ** 2) * 10**-1.5
    kept_db = 10 * np.log10(np.mean(own[held] * cello[held]) / np.mean(cello[held] ** 2))
    assert abs(kept_db) < 0.5


def test_notes_over_a_bass_that_leaks_in_are_found_at_their_own_pitch(
    parts: tuple[Floats, Floats, Floats, tuple[Leak, ...]],
) -> None:
    """Of what is listed of the cello alone one note in four is the bass; with it known, hardly."""
    _, _, mixed, leaks = parts
    own = without_leaks(mixed, SR, coarse_spectra(mixed, SR), leaks)

    def right(samples: Floats) -> tuple[int, int]:
        notes, _ = find_notes(stem_of(samples, SR, "bowed"))
        near = [
            note
            for note in notes
            if abs(1200 * np.log2(note.pitch_hz / CELLO_HZ[int(note.start_s) % 8])) < 20
            and abs(note.start_s % 1.0 - 0.1) < 0.05
        ]
        return len(near), len(notes)

    found, listed = right(own)
    assert found >= 22  # one begins with what is left of the bass, at its own pitch 0.1 s before
    assert listed - found <= 3  # and another is heard where the bass begins, for 0.08 s
    found, listed = right(mixed)
    assert listed - found >= 8


def test_a_stem_that_holds_nothing_else_is_not_heard_again(
    parts: tuple[Floats, Floats, Floats, tuple[Leak, ...]],
) -> None:
    """What is left of bleed turned down is no note; a cello under the same leak is heard again."""
    _, bass, mixed, _ = parts
    only = with_floor(late(bass, -20.0), -80.0, np.random.default_rng(6))
    sounds = {"BAS": bass, "CEL": mixed, "OH": only}
    leaking = how_stems_leak({code: coarse_spectra(s, SR) for code, s in sounds.items()})
    notes = {
        code: find_notes(stem_of(sounds[code], SR, "bowed", range_hz=(36.0, 1000.0)))[0]
        for code in ("CEL", "OH")
    }
    assert min(map(len, notes.values())) > 10
    leaking = with_only_bleed(leaking, notes)
    assert leaking.only_bleed == {"OH"}
    assert leaks_into("CEL", leaking)
    assert not leaks_into("OH", leaking)


def test_where_nothing_leaks_in_nothing_changes() -> None:
    """A stem beside a silent one comes back to a ten-thousandth."""
    cello = line(CELLO_HZ, 3)
    here, silence = coarse_spectra(cello, SR), coarse_spectra(np.zeros(len(cello) // 2), SR)
    leak = Leak(source=silence, power_gain=(0.1,) * 5)
    assert without_leaks(cello, SR, here, [leak]) == pytest.approx(cello, abs=1e-4)
    assert not matters(here, [leak])


@pytest.mark.parametrize(("gain_db", "told"), [(-37.0, True), (-43.0, False)])
def test_edge_of_what_is_worth_listening_twice(gain_db: float, told: bool) -> None:
    """A copy of the stem itself 37 dB under it is, one 43 dB under it is not: the bar is 40."""
    here = coarse_spectra(line(CELLO_HZ, 4), SR)
    leak = Leak(source=here, power_gain=(10 ** (gain_db / 10),) * 5)
    assert matters(here, [leak]) == told


def test_a_file_of_any_length_is_taken() -> None:
    """Shorter than a window, empty, and where the other file ends sooner or later."""
    whole = line(CELLO_HZ, 5)
    for frames in (0, 1, 700, 1601, 16_000):
        part = whole[:frames]
        here = coarse_spectra(part, SR)
        leak = Leak(source=coarse_spectra(whole, SR), power_gain=(0.01,) * 5)
        assert without_leaks(part, SR, here, [leak]).shape == part.shape
