"""B of each note: measured on strings, pooled over a pitch, 0 for what is driven."""

from dataclasses import replace

import numpy as np
import pytest
from guitars import ACOUSTIC_B, ELECTRIC_B
from tones.exact import bent, moments, steady, tone, with_snr

from planner.measure.note_span import NoteSpan
from planner.measure.stiffness import OwnStiffness, Stiffness, own_stiffness, pooled_stiffness
from planner.model import HARMONIC_ROLES, Floats, Note, Role

SR = 16_000


def span(samples: Floats, pitch_hz: float) -> NoteSpan:
    length_s = len(samples) / SR
    note = Note(
        stem="X",
        start_s=0.0,
        end_s=length_s,
        start_smp=0,
        end_smp=len(samples),
        pitch_hz=pitch_hz,
        strength=0.95,
        pitched_share=1.0,
        level_db=-15.0,
        begins="attack",
    )
    prior = np.full(len(samples), pitch_hz)
    return NoteSpan(note=note, sr=SR, samples=samples, prior_hz=prior, swells=False)


def told(role: Role, spans: list[NoteSpan]) -> list[Stiffness]:
    of_role = [replace(span, swells=role in HARMONIC_ROLES) for span in spans]
    return pooled_stiffness([own for _, own, _ in own_stiffness(of_role)])


def b_of(role: Role, spans: list[NoteSpan]) -> list[float]:
    return [own.b for own in told(role, spans)]


def string(
    f1_hz: float, b: float, seed: int, length_s: float = 0.6, snr_db: float = 40
) -> NoteSpan:
    rng = np.random.default_rng(seed)
    line = steady(f1_hz, length_s, SR)
    samples = tone(line, SR, rng, b=b, decay_s=0.8, decay_tilt=0.25)
    return span(with_snr(samples, snr_db, rng), f1_hz)


@pytest.mark.parametrize("b", [3e-5, 3e-4, 1e-3])
@pytest.mark.parametrize("f1_hz", [41.2, 110.0, 330.0])
def test_b_is_measured_within_ten_percent(f1_hz: float, b: float) -> None:
    """A decaying string's B comes out within 10 % (H. Fletcher, JASA 36, 1964: f_n and B)."""
    assert b_of("fretted", [string(f1_hz, b, seed=1)]) == pytest.approx([b], rel=0.10)


@pytest.mark.parametrize("role", ["bowed", "lead-voice", "woodwind", "brass"])
def test_driven_tones_have_none(role: Role) -> None:
    """Bow, breath and voice drive exact multiples, whatever a fit would say."""
    assert b_of(role, [string(220.0, 5e-4, seed=2)]) == [0.0]


@pytest.mark.parametrize("seed", range(6))
def test_a_harmonic_pluck_is_given_none(seed: int) -> None:
    """Where the partials are exact multiples no stiffness is claimed, or next to none."""
    (b,) = b_of("fretted", [string(196.0, 0.0, seed=seed, snr_db=20)])
    assert 0.0 <= b < 1e-6


def test_a_short_note_borrows_from_its_pitch() -> None:
    """A note too short for B of its own gets the B of longer ones at its pitch, no others'."""
    long_one, other = string(110.0, 4e-4, seed=3), string(147.0, 1e-4, seed=4)
    short = string(110.0, 4e-4, seed=5, length_s=0.06)
    pooled = b_of("fretted", [long_one, other, short])
    assert pooled == pytest.approx([4e-4, 1e-4, 4e-4], rel=0.1)
    assert b_of("fretted", [short, other])[0] == 0.0


def test_only_a_b_of_its_own_has_an_uncertainty() -> None:
    """A note long enough says how sure its B is; a borrowed B and a driven tone say nothing."""
    spans = [string(110.0, 4e-4, seed=3), string(110.0, 4e-4, seed=5, length_s=0.06)]
    own, borrowed = told("fretted", spans)
    assert own.b_sd is not None
    assert 0.0 < own.b_sd < 0.05 * own.b
    assert (borrowed.b, borrowed.b_sd) == (pytest.approx(own.b), None)
    assert told("bowed", spans)[0].b_sd is None


def test_one_pitch_on_two_strings_keeps_two() -> None:
    """The same pitch fretted on a thin and on a thick string keeps the B of each string."""
    pair = [string(196.0, 6e-5, seed=7), string(196.0, 5e-4, seed=8)]
    assert b_of("fretted", pair) == pytest.approx([6e-5, 5e-4], rel=0.1)


def test_a_bend_does_not_look_like_stiffness() -> None:
    """A bent string keeps its B: the glide is taken out first."""
    rng = np.random.default_rng(6)
    line = bent(147.0, 120 * moments(0.6, SR))
    bending = span(with_snr(tone(line, SR, rng, b=2e-4, decay_s=0.8), 40, rng), 147.0)
    moving = NoteSpan(
        note=bending.note, sr=SR, samples=bending.samples, prior_hz=line, swells=False
    )
    assert b_of("fretted", [moving]) == pytest.approx([2e-4], rel=0.15)


@pytest.mark.parametrize(("b", "sd"), [(0.0, np.inf), (3.2e-3, 6e-3), (-4e-4, 1e-3)])
def test_an_unknown_string_is_like_those_there_are(b: float, sd: float) -> None:
    """Partials that say nothing of B leave it open among B of the measured guitars, no further."""
    of_guitars = np.concatenate([*ACOUSTIC_B.values(), *ELECTRIC_B.values()])
    (told,) = pooled_stiffness([OwnStiffness(midi=28, b=b, sd=sd, settled=None)])
    assert told.b == 0.0
    assert told.known_sd == pytest.approx(np.sqrt(np.mean(of_guitars**2)), rel=0.35)


def test_no_notes_no_stiffness() -> None:
    """An empty stem is no trouble."""
    assert b_of("fretted", []) == []


def test_a_borrowed_b_is_as_unsure_as_its_strings_differ() -> None:
    """Notes of one pitch on strings that differ say less of another than notes of one string."""
    short = string(110.0, 2e-4, seed=9, length_s=0.06)
    alike = [string(110.0, 2e-4, seed=k) for k in range(4)]
    apart = [string(110.0, b, seed=k) for k, b in enumerate((1e-4, 1.6e-4, 2.4e-4, 3.2e-4))]
    of_alike = told("fretted", [*alike, short])[-1]
    of_apart = told("fretted", [*apart, short])[-1]
    assert of_alike.b_sd is None
    assert of_alike.b == pytest.approx(2e-4, rel=0.2)
    assert abs(of_apart.b - 2e-4) < 2.0 * of_apart.known_sd
    assert of_apart.known_sd > 1.5 * of_alike.known_sd


def test_one_other_note_may_be_on_another_string() -> None:
    """Known from one other note of its pitch, B is known to a third, however sharp that one is."""
    short = string(110.0, 2e-4, seed=9, length_s=0.06)
    other = string(110.0, 2e-4, seed=1)
    alone = told("fretted", [other])[0]
    borrowed = told("fretted", [other, short])[1]
    assert alone.known_sd < 0.05 * alone.b
    assert 0.15 * borrowed.b < borrowed.known_sd < 0.5 * borrowed.b


@pytest.mark.parametrize("f1_hz", [41.2, 110.0, 330.0])
def test_a_string_heard_again_is_measured_again(f1_hz: float) -> None:
    """Each note of a string has a B of its own, within 1 % of the truth and two of its doubts."""
    notes = [string(f1_hz, 3e-4, seed=seed) for seed in range(4)]
    every = told("fretted", notes)
    assert [own.b for own in every] == pytest.approx([3e-4] * 4, rel=0.01)
    assert len({own.b for own in every}) == 4
    assert all(own.b_sd and abs(own.b - 3e-4) < 2 * own.b_sd for own in every)


def test_another_string_at_that_pitch_is_not_taken_for_the_last_one() -> None:
    """B a third and twice as large after 2e-4: looked for anew, within 2 %."""
    bs = [2e-4, 2.7e-4, 4e-4, 2e-4]
    notes = [string(196.0, b, seed=seed) for seed, b in enumerate(bs)]
    assert b_of("fretted", notes) == pytest.approx(bs, rel=0.02)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("times", [3.0, 5.0])
def test_a_string_far_from_the_last_one_is_measured(times: float, seed: int) -> None:
    """The same pitch on other strings of a bass, up the neck: within 2 % each.

    Neighbours differ up to fivefold there (acoustic guitar of `guitars.py`: 20.5 and 4.8, 11.1 and
    1.9): of one, the lowest partials lie where the other's are looked for, and high ones by chance.
    """
    bs = [4.4e-4, 4.4e-4 * times, 4.4e-4]
    notes = [string(77.8, b, seed=7 * seed + at, length_s=2.0) for at, b in enumerate(bs)]
    assert b_of("bass-fretted", notes) == pytest.approx(bs, rel=0.02)


@pytest.mark.parametrize("times", [0.4, 0.8, 1.2, 2.5])
@pytest.mark.parametrize("f1_hz", [55.0, 147.0, 330.0])
def test_another_string_of_a_pitch_is_found_from_the_last(f1_hz: float, times: float) -> None:
    """The lowest partials lead to a B far off the last one's; its phases serve where it is near."""
    spans = [string(f1_hz, 2e-4, seed=1), string(f1_hz, 2e-4 * times, seed=2)]
    (_, last, _), (_, own, phases) = own_stiffness(spans)
    assert last.b == pytest.approx(2e-4, rel=0.01)
    assert own.b == pytest.approx(2e-4 * times, rel=0.01)
    assert abs(own.b - 2e-4 * times) < 3.0 * own.sd
    assert (phases is not None) == (abs(times - 1.0) < 0.3)
