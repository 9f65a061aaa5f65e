"""Bands of sections that are made here: players whose mean pitch is known."""

import numpy as np
import pytest

from planner.model import Floats
from planner.polyphony.chord_bands import are_bands, beside_first, read_bands
from planner.polyphony.chord_fits import Piece, fit_window
from planner.polyphony.chord_partials import CENTS_PER_NEPER, PartialFits

SR = 16000
RNG_SEED = 54450


def section(f0_hz: float, cents: Floats, rng: np.random.Generator, length_s: float = 1.0) -> Floats:
    """Players so many cents from a pitch, each with twelve partials as loud as the others'."""
    t = np.arange(round(length_s * SR)) / SR
    sound = 1e-6 * rng.standard_normal(len(t))
    for off in cents:
        for n in range(1, 13):
            turn = 2 * np.pi * n * f0_hz * 2 ** (off / 1200) * t + rng.uniform(0, 2 * np.pi)
            sound += 0.01 / n * np.cos(turn)
    return sound


def bands_of(sound: Floats, *f0s_hz: float) -> list[PartialFits]:
    piece = Piece(samples=np.asarray(sound, dtype=float), sr=SR, others_hz=np.zeros(0))
    return read_bands(piece, list(f0s_hz), fit_window(piece, [(f0, 0.0) for f0 in f0s_hz]))


def mean_cents(fits: PartialFits, f0_hz: float) -> float:
    return float(np.mean(CENTS_PER_NEPER * np.log(fits.f_hz / (fits.number * f0_hz))))


def test_the_mean_of_bands_is_the_mean_of_the_players() -> None:
    """Ten players who scatter by 12 cents, 20 sections: nearer than their lines are found.

    Of twelve bands that scatter by some 6 cents the mean scatters by 2.
    """
    rng = np.random.default_rng(RNG_SEED)
    off = []
    for _ in range(20):
        players = rng.normal(0.0, 12.0, 10)
        (fits,) = bands_of(section(220.0, players, rng), 220.0)
        assert len(fits.number) >= 10
        off.append(mean_cents(fits, 220.0) - players.mean())
    assert np.sqrt(np.mean(np.square(off))) < 3.0
    assert np.abs(off).max() < 6.0


def test_a_band_that_another_note_reaches_is_not_read() -> None:
    """A fifth: every second partial of the upper note lies on a third of the lower."""
    rng = np.random.default_rng(RNG_SEED + 2)
    sound = section(220.0, np.zeros(1), rng) + section(330.0, np.zeros(1), rng)
    low, high = bands_of(sound, 220.0, 330.0)
    assert not set(low.number) & {3.0, 6.0, 9.0, 12.0}
    assert not set(high.number) & {2.0, 4.0, 6.0, 8.0}
    assert {1.0, 2.0, 4.0} <= set(low.number)


def test_noise_is_no_band() -> None:
    """White noise hardly ever stands out of itself, and silence nowhere."""
    rng = np.random.default_rng(RNG_SEED + 3)
    found = [len(bands_of(rng.standard_normal(SR), 220.0)[0].number) for _ in range(10)]
    assert np.mean(found) < 0.5
    assert len(bands_of(np.zeros(SR), 220.0)[0].number) == 0


@pytest.mark.parametrize(
    ("cents", "dies_in_s", "wide"),
    [([-8.0, 8.0], None, True), ([-2.0, 2.0], None, False), ([0.0], None, False),
     ([0.0], 0.02, False), ([-8.0, 0.0, 9.0], None, True)],
)  # fmt: skip
def test_detuned_oscillators_are_bands_and_struck_strings_are_not(
    cents: list[float], dies_in_s: float | None, wide: bool
) -> None:
    """Two so far apart have an RMS width of half their distance; what dies away is wide too."""
    rng = np.random.default_rng(RNG_SEED + 4)
    pieces = []
    for f0_hz in (196.0, 247.0, 294.0):
        sound = section(f0_hz, np.array(cents), rng)
        if dies_in_s is not None:
            sound = sound * np.exp(-np.arange(len(sound)) / SR / dies_in_s)
        piece = Piece(samples=sound, sr=SR, others_hz=np.zeros(0))
        pieces.append((piece, [(f0_hz, 0.0)]))
    assert are_bands(pieces) is wide


def test_a_few_partials_are_no_stem_of_bands() -> None:
    """A single note says too little."""
    rng = np.random.default_rng(RNG_SEED + 5)
    piece = Piece(samples=section(196.0, np.array([-8.0, 8.0]), rng), sr=SR, others_hz=np.zeros(0))
    assert not are_bands([(piece, [(196.0, 0.0)])])
    assert not are_bands([])


def partials_of(f0_hz: float, cents: Floats) -> PartialFits:
    """A note whose partials, from the first on, lie so many cents off."""
    number = np.arange(1.0, len(cents) + 1.0)
    f_hz = number * f0_hz * np.exp(cents / CENTS_PER_NEPER)
    rest = np.full(len(cents), 0.1)
    return PartialFits(
        number=number, f_hz=f_hz, sd_hz=rest, amplitude=rest, unsteady=0 * rest, collided=0
    )


def test_partials_of_a_pad_say_what_its_first_ones_do() -> None:
    """Third partials 8 flat of their firsts on every key are the pad's timbre, and are taken out.

    Measured of warm pads in two open soundfonts: 8 flat and 13 sharp of the first, the same within
    1 to 2 cents on all keys.
    """
    rng = np.random.default_rng(RNG_SEED + 6)
    lies = np.array([0.0, -4.0, -8.0, -5.0])
    keys = 110.0 * 2 ** (np.arange(12) / 12)
    before = [partials_of(f0, lies + np.append(0.0, rng.normal(0, 1.5, 3))) for f0 in keys]
    last = partials_of(330.0, lies)
    alone = PartialFits(
        number=last.number[2:], f_hz=last.f_hz[2:], sd_hz=last.sd_hz[2:],
        amplitude=last.amplitude[2:], unsteady=last.unsteady[2:], collided=1,
    )  # fmt: skip
    after = beside_first([*before, alone])
    off = np.array([CENTS_PER_NEPER * np.log(f.f_hz / f.number / f.f_hz[0]) for f in after[:-1]])
    assert np.abs(off.mean(axis=0)).max() < 1.2
    # A note whose first partial cannot be read is put where that would be.
    assert abs(mean_cents(after[-1], 330.0)) < 1.2
    for one, other in zip(before, after, strict=False):
        assert other.f_hz[0] == one.f_hz[0]


def test_players_who_only_scatter_keep_their_partials() -> None:
    """What differs by chance is hardly moved: eight notes of a section, no habit in them."""
    rng = np.random.default_rng(RNG_SEED + 7)
    moved = []
    for _ in range(30):
        before = [partials_of(220.0, rng.normal(0.0, 4.0, 6)) for _ in range(8)]
        after = beside_first(before)
        moved += [
            mean_cents(a, 220.0) - mean_cents(b, 220.0) for a, b in zip(after, before, strict=True)
        ]
    assert np.sqrt(np.mean(np.square(moved))) < 1.5


@pytest.mark.parametrize(("notes", "moved"), [(2, False), (3, True)])
def test_edge_of_how_many_notes_tell_a_habit(notes: int, moved: bool) -> None:
    """Two notes have no spread to be judged by."""
    before = [partials_of(220.0, np.array([0.0, -8.0 - 0.1 * k])) for k in range(notes)]
    after = beside_first(before)
    assert bool(after[0].f_hz[1] > before[0].f_hz[1]) is moved


def test_a_partial_is_as_sure_as_it_keeps_its_place() -> None:
    """Second partials that scatter by 3 say no more; of a lone tenth only the others are known."""
    rng = np.random.default_rng(RNG_SEED + 8)
    before = [partials_of(220.0, np.array([0.0, -8.0 + rng.normal(0, 3), -4.0])) for _ in range(40)]
    last = partials_of(220.0, np.array([0.0, -8.0]))
    strange = PartialFits(
        number=np.array([1.0, 10.0]), f_hz=np.array([220.0, 2200.0]), sd_hz=last.sd_hz,
        amplitude=last.amplitude, unsteady=last.unsteady, collided=0,
    )  # fmt: skip
    after = beside_first([*before, strange])
    first, second, third = CENTS_PER_NEPER * after[0].sd_hz / after[0].f_hz
    assert first == pytest.approx(CENTS_PER_NEPER * 0.1 / 220.0)
    assert second == pytest.approx(3.0, abs=1.2)
    assert third < 0.5
    # As far as the second and third lie off, on the whole: the root of the mean of 64 and 16.
    assert CENTS_PER_NEPER * after[-1].sd_hz[1] / 2200.0 == pytest.approx(6.3, abs=0.6)
