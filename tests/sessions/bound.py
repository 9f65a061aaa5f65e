"""What touching so many notes can clear at all: ``python -m tests.sessions.bound``.

Beside what a plan leaves on the random sessions of `tests.sessions.records` stand bounds that no
plan can pass with so many notes touched, from the narrowest choice of moves to the widest:

- the moves that the planner decided on, any of them made or not;
- every note but the reference's may go to its target, lead voices only where the planner has them
  go;
- the same, lead voices everywhere;
- every note may go anywhere, and beats with nobody from then on.

The first three are Lagrangian bounds: at any price a note, what the best choice leaves
(`planner.clear.priced`, which is exact) and its price, less the price of as many notes as are
allowed, is no more than what any choice of so many leaves (M. L. Fisher, Management Science 27,
1981). In the last, a moment is clear once one of the two notes of each of its beatings is touched,
and every held note beyond its tolerance: an integer programme, solved by SciPy (HiGHS), with its
proof of how far it may be off counted in.
"""

import argparse
from collections.abc import Mapping

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp  # type: ignore[import-untyped,unused-ignore]
from scipy.sparse import coo_matrix  # type: ignore[import-untyped,unused-ignore]

from planner.clashes import SoundingNote
from planner.clear.few_touched import touched
from planner.clear.priced import worth_their_price
from planner.clear.sour_time import SourMap, apply, as_recorded, change_of, sour_map, sour_now_s
from planner.clear.taking_back import Made
from planner.model import FIXED_ROLES
from tests.sessions.records import HELD_S, MOST_TOUCHED, make_records, plan_of, sounding_of

_GIVE_UP_S = 30.0  # seconds for one programme; the bound holds even so
_HALVINGS = 12  # of the price: it is then known to a hundredth of a second
NAMES = ("plan", "its moves", "to targets", "leads too", "anywhere")


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


def least_of_moves_s(sour: SourMap, adds: Mapping[int, float], most: int) -> float:
    """Give what any ``most`` of some moves leave at least; NaN where too many sound at once.

    Parameters
    ----------
    adds : mapping
        Place of a note in the map -> cents that its move adds.
    """
    moves = [Made(notes=np.array([k]), add_cents=np.array([add])) for k, add in adds.items()]
    low, high, least_s = 0.0, float(sour.piece_s.sum()), 0.0
    for _ in range(_HALVINGS):
        price_s = (low + high) / 2.0
        chosen = worth_their_price(sour, as_recorded(sour), moves, price_s)
        if chosen is None:
            return float("nan")
        now = as_recorded(sour)
        for k in chosen:
            apply(sour, now, change_of(sour, now, moves[k].notes, moves[k].add_cents))
        least_s = max(least_s, sour_now_s(sour, now) + price_s * (len(chosen) - most))
        low, high = (low, price_s) if len(chosen) <= most else (price_s, high)
    return least_s


def left_of(seed: int, loose: tuple[float, float]) -> list[float]:
    """Give the shares of the sour seconds that a plan and the bounds leave, as `NAMES`."""
    stems = make_records(seed, loose=loose)
    few = plan_of(stems, edit_minutes=1e6, touch_at_most=MOST_TOUCHED)
    every = plan_of(stems, edit_minutes=1e6, touch_at_most=1.0)
    most = int(MOST_TOUCHED * sum(len(s.notes) for s in stems))
    limits = {
        j.measured.id: j.tolerance_cents
        for j in few.judged
        if j.tolerance_cents is not None and j.measured.note.length_s >= HELD_S
    }
    notes: list[SoundingNote] = sounding_of(few, frozenset())
    sour = sour_map(notes, limits)
    judged = {j.measured.id: j for j in every.judged}
    own = {sour.index[k]: judged[k].added_cents for k in touched(judged) if k in sour.index}
    leads = {
        k: -float(sour.error_cents[k])
        for k, note in enumerate(sour.met.notes)
        if note.role not in FIXED_ROLES
    }
    others = {
        k: add
        for k, add in leads.items()
        if k in own or sour.met.notes[k].role != "lead-voice"
    }  # fmt: skip
    bounds_s = [least_of_moves_s(sour, adds, most) for adds in (own, others, leads)]
    bounds_s.append(least_left_s(sour, most))
    before_s = few.sour_before_s or 1.0
    return [(few.sour_after_s or 0.0) / before_s, *(s / before_s for s in bounds_s)]


def main() -> None:
    """Print one line a seed, then the medians and the means."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-8")
    parser.add_argument("--loose", default="0.1-1.0", help="how much players scatter, from-to")
    args = parser.parse_args()
    first, _, last = args.seeds.partition("-")
    low, _, high = args.loose.partition("-")
    found = []
    for seed in range(int(first), int(last or first) + 1):
        found.append(left_of(seed, (float(low), float(high or low))))
        told = ", ".join(f"{name} {x:.0%}" for name, x in zip(NAMES, found[-1], strict=True))
        print(f"seed {seed:5d}: {told}", flush=True)
    for word, row in (("median", np.nanmedian(found, axis=0)), ("mean", np.nanmean(found, axis=0))):
        told = ", ".join(f"{name} {x:.1%}" for name, x in zip(NAMES, row, strict=True))
        print(f"left of the sour seconds with a fifth touched ({word}): {told}")


if __name__ == "__main__":
    main()
