"""The whole song's movement: found where all stems share it, and nowhere else."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from deciding import line, made_of, session, stem

from planner.model import Floats, MeasuredNote, StemNotes
from planner.pitch import shift_hz
from planner.target.movement import FEWEST_NOTES, Heard, SongMovement, song_movement
from planner.words.plan_model import Plan
from planner.write.along_song import THE_SONG, along_song

LENGTH_S = 180.0
AT_S = np.linspace(5.0, 175.0, 60)
MOVES: dict[str, Callable[[Floats], Floats]] = {
    "a step": lambda t: 6.0 * (t > 80.0),
    "an even climb": lambda t: 8.0 * t / LENGTH_S,
    "there and back": lambda t: 8.0 * np.exp(-(((t - 90.0) / 20.0) ** 2)),
}


def still(t: Floats) -> Floats:
    return 0.0 * t


def band(seed: int, moves: Callable[[Floats], Floats], *, alone: int | None = None) -> list[Heard]:
    """Six stems, the first a piano; with scatter, offsets, wrong notes, and late entries.

    Only stem `alone` moves where one is named.
    """
    rng = np.random.default_rng(seed)
    stems = []
    for k in range(6):
        start_s = np.sort(rng.uniform(0.0, LENGTH_S, int(rng.integers(20, 300))))
        if k > 2 and rng.random() < 0.3 and (start_s > LENGTH_S / 2).sum() >= FEWEST_NOTES:
            start_s = start_s[start_s > LENGTH_S / 2]
        scatter = 0.7 if k == 0 else rng.uniform(2.0, 9.0)
        error = rng.normal(rng.normal(0.0, 6.0), scatter, len(start_s))
        error += (rng.random(len(start_s)) < 0.04) * rng.normal(0.0, 30.0, len(start_s))
        if alone is None or k == alone:
            error += moves(start_s)
        stems.append(Heard(code=f"S{k}", fixed=k == 0, start_s=start_s, error_cents=error))
    return stems


def worst_cents(found: SongMovement, moves: Callable[[Floats], Floats]) -> float:
    """Median distance between the line found and the true one, their middles taken out."""
    apart = np.array([found.cents_at(t) for t in AT_S]) - moves(AT_S)
    return float(np.median(np.abs(apart - np.median(apart))))


@pytest.mark.parametrize("name", MOVES)
def test_what_all_share_is_found(name: str) -> None:
    """In at least 36 of 40 bands, within half a cent for half of the song's time."""
    found = [song_movement(band(seed, MOVES[name])) for seed in range(1000, 1040)]
    lines = [line for line in found if line is not None]
    assert len(lines) >= 36
    assert max(worst_cents(line, MOVES[name]) for line in lines) < 0.5


def test_nothing_is_found_where_nothing_moves() -> None:
    """Not in one of 100 bands whose players only scatter."""
    assert [seed for seed in range(2000, 2100) if song_movement(band(seed, still))] == []


@pytest.mark.parametrize("alone", [0, 1, 4])
def test_one_stem_that_moves_is_its_own_matter(alone: int) -> None:
    """A retuned instrument, or a piano tuned between takes, is no movement of the song."""
    step = MOVES["a step"]
    assert [s for s in range(3000, 3040) if song_movement(band(s, step, alone=alone))] == []


def test_what_cannot_move_by_itself_has_a_veto() -> None:
    """Five parts that sag together against a piano that stays are a band, not a machine."""
    climb = MOVES["an even climb"]
    bands = [(band(seed, climb), band(seed, still)) for seed in range(4000, 4020)]
    assert [
        k for k, (moving, standing) in enumerate(bands) if song_movement([standing[0], *moving[1:]])
    ] == []
    assert sum(song_movement(moving) is not None for moving, _ in bands) >= 18


def test_order_of_stems_does_not_matter() -> None:
    """The same line, to the last bit, whichever stem comes first."""
    stems = band(5000, MOVES["a step"])
    one, other = song_movement(stems), song_movement(stems[::-1])
    assert one is not None
    assert other is not None
    assert np.array_equal(one.cents, other.cents)
    assert one.stems == other.stems


def test_few_notes_or_few_stems_say_nothing() -> None:
    """Two stems, or stems of 15 notes, are not asked; a third stem, or a 16th note, is."""
    stems = band(6001, lambda t: 12.0 * (t > 90.0))
    assert song_movement(stems[:2]) is None
    assert song_movement(stems[:3]) is not None

    def short(count: int) -> list[Heard]:
        times = np.linspace(1.0, 179.0, count)
        error = 12.0 * (times > 90.0) + np.tile([0.4, -0.4], count)[:count]
        return [Heard(code=c, fixed=False, start_s=times, error_cents=error) for c in "ABC"]

    assert song_movement(short(FEWEST_NOTES - 1)) is None
    assert song_movement(short(FEWEST_NOTES)) is not None


def outro(players: int) -> list[Heard]:
    """Four parts in tune for two minutes; of these, some play the last one too and rise by 12."""
    rng = np.random.default_rng(11)
    stems = []
    for k in range(4):
        until_s = LENGTH_S if k < players else 115.0
        start_s = np.sort(rng.uniform(0.0, until_s, 120))
        error = rng.normal(0.0, 1.0, len(start_s)) + 12.0 * (start_s > 130.0)
        stems.append(Heard(code=f"S{k}", fixed=False, start_s=start_s, error_cents=error))
    return stems


@pytest.mark.parametrize(("players", "found"), [(1, False), (2, False), (3, True), (4, True)])
def test_a_movement_is_shared_only_where_three_play(players: int, found: bool) -> None:
    """What one or two do while the others are silent is theirs; three who do it share it."""
    assert (song_movement(outro(players)) is not None) is found


def test_the_outro_of_one_player_moves_nobody() -> None:
    """After a step that all share, one plays on alone, 20 sharp: the song stays where it was."""
    rng = np.random.default_rng(12)
    stems = []
    for k in range(4):
        start_s = np.sort(rng.uniform(0.0, LENGTH_S if k == 0 else 115.0, 120))
        error = rng.normal(0.0, 1.0, len(start_s)) + 6.0 * (start_s > 60.0)
        error[start_s > 125.0] += 14.0
        stems.append(Heard(code=f"S{k}", fixed=False, start_s=start_s, error_cents=error))
    found = song_movement(stems)
    assert found is not None
    assert found.cents_at(100.0) - found.cents_at(20.0) == pytest.approx(6.0, abs=0.7)
    assert found.cents_at(170.0) == pytest.approx(found.cents_at(115.0), abs=1.5)


STEP_CENTS, STEP_S = 8.0, 60.0


def stepped(part: StemNotes, by_cents: float) -> StemNotes:
    """The part, sharper from a moment on."""

    def up(note: MeasuredNote) -> MeasuredNote:
        if note.note.start_s < STEP_S:
            return note
        m = note.measurement

        def higher(hz: float | None) -> float | None:
            return None if hz is None else shift_hz(hz, by_cents)

        return replace(
            note,
            note=replace(note.note, pitch_hz=shift_hz(note.note.pitch_hz, by_cents)),
            measurement=replace(
                m, onset_hz=higher(m.onset_hz), sustain_hz=higher(m.sustain_hz),
                end_hz=higher(m.end_hz), heard_hz=higher(m.heard_hz),
            ),
        )  # fmt: skip

    return replace(part, notes=tuple(up(note) for note in part.notes))


def song_band() -> tuple[StemNotes, ...]:
    """A piano and three parts in tune, two minutes of notes of a second each."""
    rng = np.random.default_rng(3)
    roles = {"PNO": "tuning-reference", "BAS": "bass-fretted", "GTR": "fretted", "CEL": "bowed"}
    return tuple(
        stem(code, role, line(code, rng.integers(45, 70, 120).tolist(),
                              rng.normal(0.0, 0.3 if code == "PNO" else 1.5, 120).tolist()))
        for code, role in roles.items()
    )  # fmt: skip


def planned(*stems: StemNotes) -> Plan:
    return made_of(session(*stems), stems)


def questions(plan: Plan) -> list[str]:
    return [f.what for f in plan.findings if "all stems move together" in f.what]


def test_a_step_of_everybody_is_one_question_and_no_edit() -> None:
    """All 8 cents up from one minute on: it is asked about once; nobody is moved for it."""
    plan = planned(*(stepped(part, STEP_CENTS) for part in song_band()))
    (said,) = questions(plan)
    assert "the machine, or the whole band?" in said
    assert [r for r in plan.rows if r.kind == "rule"] == []
    assert all("where the song stands there" in j.target.target_from for j in plan.judged)
    # Before and after, the guitar is off its targets by the same.
    early, late = (
        np.median([j.heard_cents or 0.0 for j in plan.judged
                   if j.measured.id.startswith("GTR") and low < j.measured.note.start_s < high])
        for low, high in ((0.0, STEP_S - 10.0), (STEP_S + 10.0, 200.0))
    )  # fmt: skip
    assert early == pytest.approx(late, abs=1.0)
    # What all share stands by itself beside them, so that it can be seen and is nobody's error.
    song, *parts = along_song(plan).parts  # type: ignore[union-attr]
    first, last = song.at[0], song.at[-1]
    assert song.stem == THE_SONG
    assert first is not None
    assert last is not None
    assert last.cents - first.cents == pytest.approx(STEP_CENTS, abs=0.5)
    ends = [at for part in parts for at in (part.at[0], part.at[-1]) if at is not None]
    assert len(ends) == 8
    assert max(abs(at.cents) for at in ends) < STEP_CENTS / 2


def test_a_step_of_one_part_is_a_span_of_its_own() -> None:
    """The guitar alone is retuned: a rule for its second half, and no question about the song."""
    piano, bass, guitar, cello = song_band()
    plan = planned(piano, bass, stepped(guitar, STEP_CENTS), cello)
    assert questions(plan) == []
    (rule,) = [r for r in plan.rows if r.kind == "rule"]
    assert (rule.stem, rule.action, rule.scope) == ("GTR", "tuning-span", "span")
    assert rule.add_cents == pytest.approx(-STEP_CENTS, abs=1.0)
    # Along the song the step shows in the guitar's line alone, and the plan takes it out.
    steps = {}
    for part in along_song(plan).parts:  # type: ignore[union-attr]
        first, last = part.at[0], part.at[-1]
        assert first is not None
        assert last is not None
        steps[part.stem] = (last.cents - first.cents, last.left_cents - first.left_cents)
    recorded, left = steps.pop("GTR")
    assert recorded == pytest.approx(STEP_CENTS, abs=1.0)
    assert left == pytest.approx(0.0, abs=1.0)
    assert all(abs(one) < 1.5 for one, _ in steps.values())


def test_without_a_movement_targets_stand_still() -> None:
    """Nothing is said and nothing moves where nobody does."""
    plan = planned(*song_band())
    assert questions(plan) == []
    assert not any("where the song stands" in j.target.target_from for j in plan.judged)
