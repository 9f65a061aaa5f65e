"""What touching so many notes can clear at all: ``python -m tests.sessions.bound``.

Beside what a plan leaves on the random sessions of `tests.sessions.records` stands a bound that no
plan can pass: every note but the reference's may be moved, wherever to, and beats with nobody from
then on. A moment is then clear once one of the two notes of each of its beatings is touched, and
every held note beyond its tolerance. The best choice of notes is an integer programme, solved by
SciPy (HiGHS); with its proof of how far it may be off counted in.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.optimize import (  # type: ignore[import-untyped,unused-ignore]
    Bounds,
    LinearConstraint,
    milp,
)
from scipy.sparse import coo_matrix  # type: ignore[import-untyped,unused-ignore]

from planner.clashes import SoundingNote
from planner.model import FIXED_ROLES
from planner.sour_time import SourMap, as_recorded, sour_map
from tests.sessions.records import HELD_S, MOST_TOUCHED, make_records, plan_of, sounding_of

_GIVE_UP_S = 30.0  # seconds for one programme; the bound holds even so


def least_left_s(sour: SourMap, most: int) -> float:
    """Give the sour seconds that stay at least where ``most`` notes are touched."""
    now = as_recorded(sour)
    pieces = np.flatnonzero(now.count > 0)
    place = {int(piece): k for k, piece in enumerate(pieces)}
    n = len(sour.met.notes)
    needs: set[tuple[int, ...]] = set()  # of a piece: one of some notes
    for k in np.flatnonzero(now.sore):
        pair = (int(sour.met.low[k]), int(sour.met.high[k]))
        needs |= {(p, *pair) for p in range(int(sour.met_first[k]), int(sour.met_end[k]))}
    for k in np.flatnonzero(now.over):
        needs |= {(p, int(k)) for p in range(int(sour.note_first[k]), int(sour.note_end[k]))}
    row, column, value = [], [], []
    for r, (piece, *notes) in enumerate(sorted(needs)):
        row += [r] * (1 + len(notes))
        column += [n + place[piece], *notes]
        value += [1.0] + [-1.0] * len(notes)  # clear only where one of them is touched
    row += [len(needs)] * n
    column += list(range(n))
    value += [1.0] * n
    table = coo_matrix((value, (row, column)), shape=(len(needs) + 1, n + len(pieces)))
    may = [note.role not in FIXED_ROLES for note in sour.met.notes]
    found = milp(
        np.concatenate([np.zeros(n), -sour.piece_s[pieces]]),
        constraints=LinearConstraint(table.tocsr(), -np.inf, [0.0] * len(needs) + [float(most)]),
        integrality=np.concatenate([np.ones(n), np.zeros(len(pieces))]),
        bounds=Bounds(0.0, np.concatenate([np.array(may, dtype=float), np.ones(len(pieces))])),
        options={"time_limit": _GIVE_UP_S},
    )
    return max(0.0, float(sour.piece_s[pieces].sum() + found.mip_dual_bound))


def main() -> None:
    """Print one line a seed, then the medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-8")
    parser.add_argument("--loose", default="0.1-1.0", help="how much players scatter, from-to")
    args = parser.parse_args()
    first, _, last = args.seeds.partition("-")
    low, _, high = args.loose.partition("-")
    plans, bounds = [], []
    for seed in range(int(first), int(last or first) + 1):
        stems = make_records(seed, loose=(float(low), float(high or low)))
        made = plan_of(stems, edit_minutes=1e6, touch_at_most=MOST_TOUCHED)
        most = int(MOST_TOUCHED * sum(len(s.notes) for s in stems))
        limits = {
            j.measured.id: j.tolerance_cents
            for j in made.judged
            if j.tolerance_cents is not None and j.measured.note.length_s >= HELD_S
        }
        notes: list[SoundingNote] = sounding_of(made, frozenset())
        left_s = least_left_s(sour_map(notes, limits), most)
        before_s = made.sour_before_s or 1.0
        plans.append((made.sour_after_s or 0.0) / before_s)
        bounds.append(left_s / before_s)
        print(
            f"seed {seed:5d}: plan {plans[-1]:.0%}, no plan less than {bounds[-1]:.0%}", flush=True
        )
    print(
        f"left of the sour seconds with a fifth touched (median): {np.median(plans):.0%}; no plan "
        f"leaves less than {np.median(bounds):.0%}"
    )


if __name__ == "__main__":
    main()
