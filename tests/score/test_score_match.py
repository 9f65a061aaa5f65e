"""Playing beside its score: lines and chords whose notes are known one by one."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.score.score_match import ScoreMatch, ScoreNote, StemScore, match_score
from planner.score.score_use import LEAST_SHARE

Array = NDArray[np.float64]
MAJOR = (0, 2, 4, 5, 7, 9, 11)


@dataclass(frozen=True)
class Played:
    """What was played, and of each note which one of the score it is (None: of none)."""

    start_s: Array
    midi: Array
    meant: list[int | None]


def tune(seed: int, count: int = 60, tonic: int = 0) -> tuple[ScoreNote, ...]:
    """A walk on a major scale in quarters, eighths and halves at 100 to the minute."""
    rng = np.random.default_rng([seed, 17])
    scale = [m for m in range(52, 76) if (m - tonic) % 12 in MAJOR]
    here, at_s, notes = len(scale) // 2, 0.6, []
    for _ in range(count):
        length_s = float(rng.choice([0.3, 0.6, 0.6, 1.2]))
        notes.append((at_s, at_s + 0.9 * length_s, scale[here]))
        at_s += length_s * (2 if rng.random() < 0.1 else 1)
        here = int(np.clip(here + rng.choice([-2, -1, -1, 0, 1, 1, 2, 4, -4]), 0, len(scale) - 1))
    return tuple(notes)


def chorale(seed: int) -> tuple[ScoreNote, ...]:
    """Thirty chords of three and four notes."""
    rng = np.random.default_rng([seed, 18])
    notes: list[ScoreNote] = []
    for k in range(30):
        root = int(rng.integers(45, 57))
        for step in ((0, 4, 7, 12), (0, 3, 7), (0, 5, 9, 12))[int(rng.integers(3))]:
            notes.append((1.0 * k, 1.0 * k + 0.9, root + step))
    return tuple(notes)


def play(
    score: tuple[ScoreNote, ...], seed: int, *, pace: float = 1.0, rubato: float = 0.0,
    later_s: float = 0.0, up: float = 0.0, miss: float = 0.03, extra: float = 0.03,
    wrong: float = 0.03,
) -> Played:  # fmt: skip
    """Play a score: another pace, tempo that swings, 20 ms of jitter, slips of every kind."""
    rng = np.random.default_rng([seed, 19])
    grid = np.arange(0.0, 600.0, 0.05)
    swing = rubato * np.sin(2 * np.pi * grid / 9.0 + rng.uniform(0, 6))
    clock = (np.cumsum((1.0 + swing) * 0.05) - 0.05) * pace
    start_s, midi, meant = [], [], []
    for j, (at_s, _, note) in enumerate(score):
        if rng.random() < miss:
            continue
        here_s = float(np.interp(at_s, grid, clock)) + later_s + float(rng.normal(0, 0.02))
        slip = float(rng.choice([-2, -1, 1, 2])) if rng.random() < wrong else 0.0
        start_s.append(here_s)
        midi.append(note + up + slip + float(rng.normal(0, 0.12)))
        meant.append(j)
        if rng.random() < extra:
            start_s.append(here_s + 0.2)
            midi.append(note + up + float(rng.choice([-4, 3, 5])))
            meant.append(None)
    return Played(np.array(start_s), np.array(midi), meant)


def match(played: Played, score: StemScore, one_at_a_time: bool = True) -> ScoreMatch:
    found = match_score(played.start_s, played.midi, score, one_at_a_time=one_at_a_time)
    assert found is not None
    return found


def right(played: Played, found: ScoreMatch, score: StemScore) -> float:
    """Share of the played notes whose note in the score is named rightly, by pitch."""
    named = {i: score.notes[j][2] for i, j in found.pairs}
    meant = [None if j is None else score.notes[j][2] for j in played.meant]
    return float(np.mean([named.get(i) == m for i, m in enumerate(meant) if m is not None]))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("pace", "rubato"), [(1.0, 0.0), (1.0, 0.2), (1.25, 0.15), (0.8, 0.15)])
def test_free_playing_of_a_score_at_a_fixed_tempo(seed: int, pace: float, rubato: float) -> None:
    """Tempo that swings by 20 % and is a quarter off: 95 % of the notes are named rightly."""
    score = StemScore(name="part.mid", notes=tune(seed))
    played = play(score.notes, seed, pace=pace, rubato=rubato)
    found = match(played, score)
    assert found.transpose == 0
    assert found.share >= 0.8
    assert right(played, found, score) >= 0.95


@pytest.mark.parametrize("up", [-12, 12, -2, 3, -7])
def test_transposition_and_place_are_found(up: int) -> None:
    """Written at another pitch and playing 4.8 s later: both are found, the notes as well."""
    score = StemScore(name="part.mid", notes=tune(3))
    played = play(score.notes, 3, up=up, later_s=4.8)
    found = match(played, score)
    assert found.transpose == up
    assert found.later_s == pytest.approx(4.8, abs=0.05)
    assert right(played, found, score) >= 0.95


def test_other_tunes_in_the_same_key_do_not_fit() -> None:
    """Of 40 pairs of unlike tunes in one key none agrees in as many notes as are asked for."""
    shares = []
    for seed in range(40):
        played = play(tune(seed), seed, rubato=0.1)
        other = StemScore(name="other.mid", notes=tune(seed + 100))
        found = match_score(played.start_s, played.midi, other, one_at_a_time=True)
        shares.append(found.share if found else 0.0)
    assert max(shares) < LEAST_SHARE


def test_a_note_sixty_cents_off_is_its_note() -> None:
    """60 cents flat, a note is nearer to the one below, and still the one that is written."""
    score = StemScore(name="part.mid", notes=tune(5))
    played = play(score.notes, 5, miss=0, extra=0, wrong=0)
    midi = played.midi.copy()
    midi[20] = score.notes[20][2] - 0.6
    found = match(replace(played, midi=midi), score)
    assert dict(found.pairs)[20] == 20


def test_a_part_that_is_sixty_flat_keeps_its_notes() -> None:
    """A whole part 60 cents flat is the score as written, not a semitone lower and 40 sharp."""
    score = StemScore(name="part.mid", notes=tune(6))
    played = play(score.notes, 6, up=-0.6)
    found = match(played, score)
    assert found.transpose == 0
    assert found.offset_semitones == pytest.approx(-0.6, abs=0.05)
    assert right(played, found, score) >= 0.95


def test_a_wrong_note_in_its_place_is_a_pair_and_does_not_agree() -> None:
    """A step beside the written note at its very moment is that note played wrong; a sixth no."""
    score = StemScore(name="part.mid", notes=tune(7))
    played = play(score.notes, 7, miss=0, extra=0, wrong=0)
    midi = played.midi.copy()
    midi[10] += 2.0
    midi[30] += 9.0
    found = match(replace(played, midi=midi), score)
    named = dict(found.pairs)
    assert named[10] == 10
    assert 30 not in named
    assert found.agree == len(score.notes) - 2


def test_of_two_like_verses_the_one_in_its_place() -> None:
    """Only the second of two like verses is played: its notes are those of the second verse."""
    verse = tune(8, 30)
    again = tuple((a + 40.0, b + 40.0, m) for a, b, m in verse)
    score = StemScore(name="part.mid", notes=(*verse, *again))
    played = play(again, 8, miss=0, extra=0, wrong=0)
    found = match(played, score)
    assert [j for _, j in found.pairs] == list(range(30, 60))
    assert abs(found.later_s) < 0.1


@pytest.mark.parametrize("seed", range(4))
def test_chords_in_any_order_within_a_stroke(seed: int) -> None:
    """Chords strummed either way, a sixth of the notes not found: every found note is named."""
    score = StemScore(name="part.mid", notes=chorale(seed))
    played = play(score.notes, seed, rubato=0.1, miss=0.16, wrong=0, extra=0.05)
    found = match(played, score, one_at_a_time=False)
    assert found.transpose == 0
    assert right(played, found, score) >= 0.97


def test_part_of_a_song_counts_by_what_the_score_has() -> None:
    """A score of the chorus alone: notes outside it do not count against it."""
    whole = tune(9, 90)
    score = StemScore(name="part.mid", notes=whole[30:60])
    played = play(whole, 9, miss=0, extra=0, wrong=0)
    found = match(played, score)
    assert found.found_in_span <= 32
    assert found.share >= 0.93


def test_placed_notes_of_a_score_are_where_they_are_played() -> None:
    """Notes that were left out are placed by those around them, within 0.1 s in a rubato."""
    score = StemScore(name="part.mid", notes=tune(10))
    played = play(score.notes, 10, rubato=0.15, miss=0, extra=0, wrong=0)
    keep = np.arange(len(played.start_s)) % 7 != 3
    found = match_score(played.start_s[keep], played.midi[keep], score, one_at_a_time=True)
    assert found is not None
    off = np.abs(found.placed_s - played.start_s)
    assert float(np.max(off[~keep][:-1])) < 0.12


def test_nothing_to_match() -> None:
    """No notes on either side, or none of any like pitch, is no match."""
    score = StemScore(name="part.mid", notes=tune(1))
    assert match_score([], [], score, one_at_a_time=True) is None
    assert match_score([1.0], [60.0], replace(score, notes=()), one_at_a_time=True) is None
    low = replace(score, notes=((0.0, 1.0, 30),), transpose=0)
    assert match_score([0.0], [90.0], low, one_at_a_time=True) is None


def test_a_typed_transposition_is_the_only_one_tried() -> None:
    """With transpose: -12 typed, a score that fits as written does not."""
    score = StemScore(name="part.mid", notes=tune(2), transpose=-12)
    played = play(score.notes, 2)
    found = match_score(played.start_s, played.midi, score, one_at_a_time=True)
    assert found is None or found.share < LEAST_SHARE
