"""How much beating goes with each row, every pair by itself."""

import numpy as np
import pytest

from planner.clear.fewest_moves import fewest_moves
from planner.clear.move_lines import Proposal
from planner.clear.sour_time import as_recorded, sour_map, with_made
from planner.clear.taking_back import Made
from planner.clear.thinning import with_thinning
from tests.test_clashes import sounding


def test_a_crowded_moment_is_thinned_though_it_stays_sour() -> None:
    """Of three pairs that beat at once, one move ends two; the moment is not clear."""
    notes = [sounding("A-1", 69, 12, 0, 2), sounding("B-1", 69, 0, 0, 2),
             sounding("C-1", 69, 24, 0, 2)]  # fmt: skip
    sour = sour_map(notes, {})
    moves = [
        Proposal(id="A-1", notes=(("A-1", -12.0),)),
        Proposal(id="C-1", notes=(("C-1", -24.0),)),
    ]
    before_s, steps = with_thinning(sour, moves, fewest_moves(sour, moves).steps)
    assert before_s == 6.0
    assert [sum(step.clears_s) for step in steps] == [0.0, 2.0]
    assert [step.thins_s for step in steps] == [(2.0,), (4.0,)]


@pytest.mark.parametrize("seed", range(6))
def test_what_goes_with_the_rows_is_all_that_goes(seed: int) -> None:
    """Beating as recorded less what goes with each row is what beats with all of them made."""
    rng = np.random.default_rng(seed)
    notes = [
        sounding(f"{code}-{k}", int(m), float(rng.normal(0, 12)), k * 1.0, k + 0.9)
        for code in "ABCD"
        for k, m in enumerate(rng.choice([57, 60, 64, 69], 8))
    ]
    sour = sour_map(notes, {n.id: 10.0 for n in notes})
    errors = dict(zip((n.id for n in sour.met.notes), sour.error_cents, strict=True))
    moves = [Proposal(id=k, notes=((k, -float(e)),)) for k, e in sorted(errors.items())]
    found = fewest_moves(sour, moves)
    before_s, steps = with_thinning(sour, moves, found.steps)
    done = {row_id for step in steps for row_id in step.ids}
    made = [
        Made(notes=np.array([sour.index[k]]), add_cents=np.array([-errors[k]]))
        for k in sorted(done)
    ]
    now = with_made(sour, made)
    assert before_s == pytest.approx(float(as_recorded(sour).count @ sour.piece_s))
    assert before_s - sum(sum(step.thins_s) for step in steps) == pytest.approx(
        float(now.count @ sour.piece_s), abs=1e-3
    )
