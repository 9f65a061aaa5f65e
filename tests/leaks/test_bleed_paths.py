"""How loud stems leak into each other, against paths that were built first."""

import numpy as np
import pytest
from tones.exact import faded, laid_out, steady, tone, with_floor

from planner.demo.build import room_response
from planner.leaks import bleed_paths
from planner.leaks.bleed_paths import find_paths, path_between
from planner.leaks.spectra import coarse_spectra
from planner.model import Floats

SR = 16_000
LINE = (220.0, 247.0, 262.0, 294.0, 330.0, 294.0, 262.0, 247.0)


def line(seed: int, *, off_cents: float = 0.0, jitter_s: float = 0.0, bars: int = 4) -> Floats:
    """A player of `LINE`: phases, and where asked for pitch and time, are the player's own."""
    rng = np.random.default_rng(seed)
    pieces = []
    for k, hz in enumerate(LINE * bars):
        own_hz = hz * 2 ** (rng.normal(0.0, 1.0) * off_cents / 1200)
        at_s = 0.2 + 0.5 * k + abs(rng.normal(0.0, 1.0)) * jitter_s
        pieces.append((at_s, faded(tone(steady(own_hz, 0.45, SR), SR, rng, decay_s=0.8), SR)))
    return laid_out(pieces, 0.5 * len(LINE) * bars + 1.0, SR)


def later(samples: Floats, delay_s: float, gain_db: float) -> Floats:
    gap = round(delay_s * SR)
    return 10.0 ** (gain_db / 20.0) * np.concatenate([np.zeros(gap), samples])[: len(samples)]


def floor(samples: Floats, seed: int) -> Floats:
    return with_floor(samples, -80.0, np.random.default_rng(seed))


def paths(**sounds: Floats) -> dict[tuple[str, str], float]:
    found = find_paths({code: coarse_spectra(s, SR) for code, s in sounds.items()})
    return {(p.source, p.into): p.gain_db for p in found}


@pytest.mark.parametrize("gain_db", [-12.0, -20.0, -30.0, -48.0])
@pytest.mark.parametrize("delay_s", [0.0, 0.012])
def test_a_path_is_found_with_its_gain(gain_db: float, delay_s: float) -> None:
    """What leaks, near or from across a room, is found within 1.5 dB; nothing leads back."""
    voice = floor(line(1), 1)
    found = paths(LV=voice, OH=floor(later(voice, delay_s, gain_db), 2))
    assert set(found) == {("LV", "OH")}
    assert found["LV", "OH"] == pytest.approx(gain_db, abs=1.5)


@pytest.mark.parametrize("louder_db", [0.0, 8.0, 16.0])
def test_a_loud_room_microphone_holds_the_parts_and_they_not_it(louder_db: float) -> None:
    """What two close microphones and one across the room share comes first to the close ones."""
    voice, guitar = line(1), np.roll(line(2, off_cents=8.0), SR // 4)
    room = later(voice, 0.012, louder_db) + later(guitar, 0.009, louder_db)
    found = paths(LV=floor(voice, 1), GTR=floor(guitar, 2), RM=floor(room, 3))
    assert not [into for source, into in found if source == "RM"]


def test_a_path_is_found_under_what_the_other_plays_itself() -> None:
    """A stem with a part of its own still shows what leaks into it, 20 dB down."""
    voice = line(1)
    own = line(2) * (np.arange(len(voice)) < len(voice) // 2)
    found = paths(LV=floor(voice, 3), GTR=floor(own + later(voice, 0.008, -20.0), 4))
    assert found["LV", "GTR"] == pytest.approx(-20.0, abs=2.5)
    assert ("GTR", "LV") not in found


@pytest.mark.parametrize("seed", range(4))
def test_a_part_played_all_along_hides_no_path(seed: int) -> None:
    """What leaks 30 dB under a part that never rests is found by its phases."""
    voice, own = line(30 + seed), np.roll(line(40 + seed, off_cents=8.0), SR // 4)
    found = paths(LV=floor(voice, 1), GTR=floor(own + later(voice, 0.008, -30.0), 2))
    assert found["LV", "GTR"] == pytest.approx(-30.0, abs=4.0)
    assert ("GTR", "LV") not in found


@pytest.mark.parametrize(
    ("elsewhere", "here", "found"), [(5.1, 3.1, True), (5.1, 2.9, False), (4.9, 3.1, False)]
)
def test_stems_in_one_room_are_believed_sooner(
    monkeypatch: pytest.MonkeyPatch, elsewhere: float, here: float, found: bool
) -> None:
    """Where a voice surely leaks elsewhere and a cello surely hears, a fainter sign will do."""
    sure = {("LV", "BAS"): elsewhere, ("BAS", "CEL"): 5.1, ("LV", "CEL"): here}
    monkeypatch.setattr(
        bleed_paths, "path_between", lambda a, b: ((0.01,) * 6, sure.get((a, b), 0.0))
    )
    told = find_paths({code: code for code in ("LV", "BAS", "CEL")})  # type: ignore[misc]
    assert (("LV", "CEL") in {(path.source, path.into) for path in told}) == found


def test_a_room_colours_a_path_and_does_not_hide_it() -> None:
    """Reflections as strong as the direct sound leave the gain of both together."""
    voice = floor(line(1), 1)
    response = room_response(0.4, 0.0, np.random.default_rng(5))[::3]
    leak = np.convolve(voice, response)[: len(voice)] * 0.1
    expected = 20.0 * np.log10(np.std(leak) / np.std(voice))
    found = paths(LV=voice, OH=floor(leak, 2))
    assert found["LV", "OH"] == pytest.approx(expected, abs=3.0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("off_cents", "jitter_s", "softer_db"),
    [(8.0, 0.015, 0.0), (8.0, 0.015, -15.0), (0.0, 0.0, -15.0), (0.0, 0.0, -25.0)],
)
def test_two_players_in_unison_share_no_phase(
    seed: int, off_cents: float, jitter_s: float, softer_db: float
) -> None:
    """A double is no bleed, not even two keyboards on equal pitches at equal times, one softer."""
    first = floor(line(10 + seed), 1)
    second = line(20 + seed, off_cents=off_cents, jitter_s=jitter_s)
    assert paths(LV=first, HV=floor(later(second, 0.0, softer_db), 2)) == {}


def sampled(seed: int, *, lowest_hz: float) -> Floats:
    """A riff of a sampler on an exact grid, each pitch with the phases of its one sample."""
    rng = np.random.default_rng(seed)
    riff = [float(lowest_hz * 2 ** (step / 12)) for step in rng.choice([0, 3, 5, 7, 10, 12], 8)]
    one = {
        hz: faded(tone(steady(hz, 0.45, SR), SR, rng, decay_s=0.8), SR) for hz in sorted(set(riff))
    }
    pieces = [(0.2 + 0.5 * k, one[hz]) for k, hz in enumerate(riff * 8)]
    return laid_out(pieces, 0.5 * len(pieces) + 1.0, SR)


@pytest.mark.parametrize("seed", range(4))
def test_sampled_parts_on_one_grid_leak_little(seed: int) -> None:
    """Two parts that repeat their phases with each bar are no leak that a mix could show."""
    low, high = sampled(2 * seed, lowest_hz=110.0), sampled(2 * seed + 1, lowest_hz=220.0)
    found = paths(BAS=floor(low, 1), GTR=floor(high, 2))
    assert max(found.values(), default=-np.inf) < -40.0


@pytest.mark.parametrize("seed", range(4))
def test_what_leaks_between_sampled_parts_is_not_hidden(seed: int) -> None:
    """The same two parts, one leaking into the other: told as loud as it is, or louder."""
    low, high = sampled(2 * seed, lowest_hz=110.0), sampled(2 * seed + 1, lowest_hz=220.0)
    found = paths(BAS=floor(low + later(high, 0.008, -25.0), 1), GTR=floor(high, 2))
    assert found["GTR", "BAS"] > -27.0


def test_a_gate_hides_no_path() -> None:
    """A stem that is silent but for its own notes holds what leaks in under them."""
    voice = line(1)
    own = np.roll(line(2, off_cents=8.0), SR // 4)
    opened = (np.arange(len(voice)) // (2 * SR)) % 3 == 0
    found = paths(LV=floor(voice, 1), GTR=np.where(opened, own + later(voice, 0.008, -20.0), 0.0))
    assert found["LV", "GTR"] == pytest.approx(-20.0, abs=3.0)


def test_short_files_tell_nothing() -> None:
    """Under four seconds there are no two stretches to compare: no path, not a wrong one."""
    voice = line(1, bars=4)[: 3 * SR]
    spectra = coarse_spectra(voice, SR)
    assert path_between(spectra, spectra) == ((), 0.0)


def test_silence_leads_nowhere() -> None:
    """A stem of zeros has no path, and takes part without trouble."""
    voice = line(1)
    assert paths(LV=voice, OH=np.zeros(len(voice))) == {}
