"""Which notes explain a stretch best: octaves and twelfths told by how an instrument sounds.

Notes whose partials coincide cannot be told apart by where peaks lie, only by how high they stand.
Each set of notes says how loud every peak should be; the likelier set is taken, one note more or
less at a time, and a note more must earn its price.
"""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from planner.polyphony.chord_bars import BARE_DB, is_odd
from planner.polyphony.chord_octaves import LEAST_SHARE, WEAK_FIRST_HZ
from planner.polyphony.chord_partials import HIGHEST_HZ, Note, first_partials, typical_b
from planner.polyphony.chord_peaks import (
    B_FACTORS,
    RISE_DB,
    Named,
    Notes,
    Peaks,
    covered,
    least_db,
    match_partials,
    nothing_near,
    partials_found,
    same_pitch,
)
from planner.polyphony.chord_search import is_overtone
from planner.polyphony.chord_timbre import FREEDOM, PARTIALS, Timbre, usual_levels
from planner.words.spread import middle_of

Array = NDArray[np.float64]

# Of a note, in units of log likelihood, of some twenty levels. Chosen on seeds 43001 and 43002 of
# tests.bench.chorded between 4 and 12: notes played gain 10 and more where they are missed, nine in
# ten of those not played less.
PRICE = 10.0
# Of one whose first partial stands alone and among the loudest: it is not another's overtone.
# Chosen on seeds 45300 and 45301 between 3.5 and 5, within 10 to 40 dB: what driven guitars and low
# strings put between their partials lies lower.
LONE_PRICE, LONE_DB = 5.0, 10.0
# A string that rings is as cheap: to strike it again is commoner than to add an octave.
# And of one in a stem whose notes have hardly more to show, palms on the strings: there it is most
# of a note. Chosen on seed 30201: FluidR3's muted guitar gains 7 of 105 notes, none wrong.
BARE_PARTIALS, BARE_PRICE = 4, 3.5
# Chosen: as much as a figure more must gain (H. Akaike, IEEE Transactions on Automatic Control 19,
# 1974, 716, from memory); a string's loudness is one.
LEAST_GAIN = 1.0
# Of an overtone that a search has found: half of it. Chosen on seeds 11 and 12 of
# tests.bench.chorded: of driven strings nine in ten that were struck gain more than 0.6 to 1.3,
# three in four that were not less than 0.1 to 1.5.
FOUND_GAIN = 0.5
# Strings and keys of one stroke are about as loud as each other, but for what the timbre says, and
# where no amplifier or palm evens or hides their levels. Chosen: on 18 parts of
# tests.bench.chorded and layered (seed 1) they lie 1.5 to 7.6 dB apart.
UNEVEN_DB = 8.0
COUNTED_DB = 50.0  # under the loudest; chosen: below lie sums and side bands of loud partials
# Which notes are weighed beside those found; chosen: others are seldom taken for one another.
ABOVE = Fraction(2), Fraction(3), Fraction(4)
BELOW = Fraction(1, 2), Fraction(1, 3)
KIN_CENTS, NEAR_CENTS = (1200.0, 1902.0), 40.0  # a string's stiffness and tuning lie within
ROUNDS, STEPS = 12, 5  # chosen: no chord changes in more notes; loudness moves by < 0.5 dB then
LOOKED_AT, LEAST_HIT, LEAST_RISEN = 12, 0.5, 2  # chosen: a note of which less is heard is none


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """What is heard, and what each candidate would put there; (places,) and (candidates, places).

    Places are peaks, and partials of candidates that nothing is heard of.
    """

    level: Array  # power heard; where nothing is, the least that would have been
    heard: NDArray[np.bool_]
    without: Array  # power of what sounded before, and of the noise
    share: Array  # power of each candidate there, as loud as its level says, of one at 0 dB


def weigh(
    peaks: Peaks, found: list[Named], ringing: Notes, range_hz: tuple[float, float], timbre: Timbre
) -> list[Named]:
    """Give the likeliest notes among those found, and those an octave or twelfth from them.

    found: notes that seem to begin with the stretch; ringing: (f0_hz, B) of what rings on from
    before, each of which may have been struck again unnoticed under the notes found; range_hz: of
    the instrument. Where one of those found rang already, that is left as it is.
    """
    if not found or not len(peaks.f_hz):
        return found
    below = _kin(peaks, found, [n[0] for n in (*found, *ringing)], range_hz, BELOW, timbre)
    again = [
        (*old, 1.0)
        for old in ringing
        if not any(same_pitch(old[0], n[0]) for n in found)
        and (old[0] < WEAK_FIRST_HZ or _first_heard(peaks, old))
    ]
    alone = _lone(peaks, [*found, *below], ringing, range_hz, timbre)
    lone = [note for note, _ in alone]
    taken_hz = [n[0] for n in (*found, *ringing, *below, *lone)]
    above = _kin(peaks, found, taken_hz, range_hz, ABOVE, timbre)
    notes = [*found, *again, *below, *lone, *above]
    price = np.full(len(notes), PRICE)
    price[: len(found)] = [_price(peaks, note, [*found, *lone], timbre) for note in found]
    price[len(notes) - len(above) - len(lone) : len(notes) - len(above)] = [p for _, p in alone]
    price[len(found) : len(found) + len(again)] = LONE_PRICE
    inside = np.arange(len(notes)) < len(found)
    rang = np.array([any(same_pitch(n[0], f0_hz) for f0_hz, _ in ringing) for n in notes])
    free = ~(inside & rang)
    if not free.any():
        return found
    places = _places(peaks, notes, ringing, timbre, len(above) if timbre.crowded else 0)
    loud = _alone(places)
    for _ in range(ROUNDS):
        tries = inside[None, :] ^ np.eye(len(notes), dtype=bool)
        tries = np.concatenate([inside[None, :], tries[free], *_exchanged(notes, inside, free)])
        cost, power = _costs(places, tries, loud, timbre.spread_db)
        loud = np.where(inside, power[0], loud)
        if not timbre.crowded:
            cost += _uneven(tries, power)
        best = int(np.argmin(cost + tries @ price))
        if best == 0:
            break
        inside = tries[best]
    return [note for note, kept in zip(notes, inside, strict=True) if kept]


def _exchanged(
    notes: list[Named], inside: NDArray[np.bool_], free: NDArray[np.bool_]
) -> list[NDArray[np.bool_]]:
    """Sets in which a note gives way to its octave or twelfth, above or below it."""
    cents = 1200.0 * np.log2([n[0] for n in notes])
    apart = np.abs(cents[:, None] - cents)
    kin = np.min([np.abs(apart - far) for far in KIN_CENTS], axis=0) < NEAR_CENTS
    sets = []
    for out, into in np.argwhere(kin & (inside & free)[:, None] & (~inside & free)):
        changed = inside.copy()
        changed[[out, into]] = False, True
        sets.append(changed[None, :])
    return sets


def _first_heard(peaks: Peaks, note: Note) -> bool:
    return bool(partials_found(peaks, note, 1)[0][0])


def gains(
    peaks: Peaks, notes: list[Named], more: list[Named], ringing: Notes, timbre: Timbre
) -> list[float]:
    """Say by how much each of some more notes, on its own, makes what is heard likelier."""
    if not more or not notes or not len(peaks.f_hz):
        return [0.0] * len(more)
    both = [*notes, *more]
    places = _places(peaks, both, ringing, timbre, len(more) if timbre.crowded else 0)
    base = np.arange(len(both)) < len(notes)
    tries = np.stack(
        [base, *(base | (np.arange(len(both)) == len(notes) + k) for k in range(len(more)))]
    )
    cost, power = _costs(places, tries, _alone(places), timbre.spread_db)
    if not timbre.crowded:
        cost += _uneven(tries, power)
    return [float(cost[0] - one) for one in cost[1:]]


def explained(peaks: Peaks, notes: list[Named], ringing: Notes, timbre: Timbre) -> list[Named]:
    """Leave out overtones of other notes that explain nothing where those have partials.

    What seems to be their own, beside what the lower notes put there, may be side bands of these.
    """
    over = [n for n in notes if any(is_overtone(n[0], low, b) for low, b, _ in notes)]
    kept = [n for n in notes if n not in over]
    for note in sorted(over):
        if gains(peaks, kept, [note], ringing, timbre)[0] > FOUND_GAIN:
            kept.append(note)
    return kept


def _kin(
    peaks: Peaks,
    found: list[Named],
    taken_hz: list[float],
    range_hz: tuple[float, float],
    ratios: tuple[Fraction, ...],
    timbre: Timbre,
) -> list[Named]:
    """List the notes at some ratios to those found that have peaks enough to be asked about."""
    kin: list[Named] = []
    number = np.arange(1, LOOKED_AT + 1)
    for ratio in ratios:
        for f0_hz, b, _ in found:
            # the law of a stiff string, as if its partial were another's first, or the other way
            near_hz, near_b = f0_hz * float(ratio), b * min(float(ratio) ** 2, 1.0)
            if ratio > 1:
                near_hz *= float(np.sqrt((1.0 + b * float(ratio) ** 2) / (1.0 + b)))
            if not 0.97 * range_hz[0] < near_hz < 1.03 * range_hz[1]:
                continue
            if any(same_pitch(near_hz, hz) for hz in (*taken_hz, *(n[0] for n in kin))):
                continue
            hit, index = partials_found(peaks, (near_hz, near_b), LOOKED_AT)
            law = first_partials((near_hz, near_b), LOOKED_AT)
            risen = hit & (peaks.rise_db[index] > RISE_DB)
            if risen.sum() < LEAST_RISEN:
                continue
            usual = usual_levels(timbre, number, law)
            reach = _due(
                peaks, law, np.median((peaks.level_db[index] - usual)[hit]) + usual, timbre
            )
            # Of a lower note the partials tell that the one found does not have.
            telling = reach & (number % ratio.denominator != 0) if ratio < 1 else reach
            least = LEAST_SHARE if ratio < 1 else LEAST_HIT
            if (hit & telling).sum() < least * telling.sum():
                continue
            kin.append((near_hz, near_b, float((hit & reach).sum() / max(reach.sum(), 1))))
    return kin


def _lone(
    peaks: Peaks, found: list[Named], ringing: Notes, range_hz: tuple[float, float], timbre: Timbre
) -> list[tuple[Named, float]]:
    """List the notes whose first partial no other note covers, with their prices.

    They may have few partials. Of their next ones most must be there that the stem's other notes
    lead one to expect.
    """
    own = ~covered(peaks, peaks.f_hz, [*(n[:2] for n in found), *ringing])
    own &= (peaks.rise_db > RISE_DB) & (peaks.level_db > peaks.level_db.max() - BARE_DB)
    own &= (peaks.f_hz > 0.97 * range_hz[0]) & (peaks.f_hz < 1.03 * range_hz[1])
    lone: list[tuple[Named, float]] = []
    for f1_hz, f1_db in zip(peaks.f_hz[own], peaks.level_db[own], strict=True):
        others = [*found, *(one for one, _ in lone)]
        if any(same_pitch(float(f1_hz), n[0]) for n in others):
            continue
        if _odd_of_any(peaks, float(f1_hz), others, timbre):
            continue
        bs = min(typical_b(float(f1_hz)), 1e-2) * B_FACTORS
        f0s = f1_hz / np.sqrt(1.0 + bs)
        hits, _ = match_partials(peaks, f0s, bs, LOOKED_AT)
        most = int(np.argmax(hits.sum(axis=1)))
        hit, f0_hz, b = hits[most], float(f0s[most]), float(bs[most])
        due, bare = _due_above(peaks, (f0_hz, b), float(f1_db), timbre)
        loud = bare or f1_db > peaks.level_db.max() - LONE_DB
        if loud and (hit & due).sum() >= LEAST_SHARE * due.sum():
            note = f0_hz, b, float(hit.mean())
            lone.append((note, BARE_PRICE if bare else LONE_PRICE))
    return lone


def _price(peaks: Peaks, note: Named, others: list[Named], timbre: Timbre) -> float:
    """What a note found must earn: less where its first partial is most of it."""
    hit, index = partials_found(peaks, note[:2], 1)
    if timbre.odd is None or not hit[0] or _odd_of_any(peaks, note[0], others, timbre):
        return PRICE
    _, bare = _due_above(peaks, note[:2], float(peaks.level_db[index[0]]), timbre)
    return BARE_PRICE if bare else PRICE


def _odd_of_any(peaks: Peaks, f_hz: float, notes: list[Named], timbre: Timbre) -> bool:
    """Say whether a peak lies where one of some notes below it has an odd partial."""

    def db(hz: float) -> float:
        return float(peaks.level_db[np.abs(peaks.f_hz - hz).argmin()])

    odd = timbre.odd
    return odd is not None and any(
        is_odd(odd, f_hz, db(f_hz), low_hz, db(low_hz)) for low_hz, _, _ in notes if low_hz < f_hz
    )


def _due_above(
    peaks: Peaks, note: Note, f1_db: float, timbre: Timbre
) -> tuple[NDArray[np.bool_], bool]:
    """Which partials should be heard of a note, and whether these are but its lowest."""
    law = first_partials(note, LOOKED_AT)
    usual = usual_levels(timbre, np.arange(1, LOOKED_AT + 1), law)
    due = _due(peaks, law, f1_db + usual - usual[0], timbre)
    loud = usual > usual[0] - BARE_DB  # of a note that has more, others only hide them
    # not because only so many lie below the highest that is looked at; bars show it by one
    half = (law < HIGHEST_HZ).sum() / 2
    bare = max(due.sum(), (loud & (law < HIGHEST_HZ)).sum()) <= min(BARE_PARTIALS, half)
    return due, bool(bare and (timbre.odd is not None or half >= BARE_PARTIALS))


def _due(peaks: Peaks, law: Array, level_db: Array, timbre: Timbre) -> NDArray[np.bool_]:
    """Say which of a note's partials should be heard, however far they usually stray."""
    return np.asarray((level_db - timbre.spread_db > least_db(peaks, law)) & (law < HIGHEST_HZ))


def _places(peaks: Peaks, notes: list[Named], ringing: Notes, timbre: Timbre, above: int) -> Places:
    """Say what is heard where the notes' partials lie.

    The last `above` are told by the places of the others alone: where these put none, a note over
    them would seem to explain what is but an amplifier's sum of tones. Nothing counts above the
    highest partial of the lowest note that is modelled.
    """
    number = np.arange(1, PARTIALS + 1)
    f0s, bs = np.array([n[0] for n in notes]), np.array([n[1] for n in notes])
    law = number * f0s[:, None] * np.sqrt(1.0 + bs[:, None] * number**2)
    hit, index = match_partials(peaks, f0s, bs, PARTIALS)
    reach = law < min(HIGHEST_HZ, float(law[:, -1].min()))
    count = len(peaks.f_hz)
    gone = np.flatnonzero((~hit & reach & nothing_near(peaks, law)).ravel())
    share = np.zeros((len(notes), count + len(gone)))
    for k in range(len(notes)):
        power = 10.0 ** (usual_levels(timbre, number, law[k]) / 10.0)
        own = hit[k] & reach[k]
        np.add.at(share[k], index[k][own], power[own])
        mine = np.flatnonzero(gone // PARTIALS == k)
        share[k, count + mine] = power[gone[mine] % PARTIALS]
    f_hz = np.concatenate([peaks.f_hz, law.ravel()[gone]])
    least = least_db(peaks, f_hz)
    level_db = np.concatenate([peaks.level_db, least[count:]])
    noise_db = np.interp(f_hz, peaks.f_hz, peaks.level_db - peaks.above_db)
    before_db = peaks.level_db - np.maximum(peaks.rise_db, 0.0)
    without = 10.0 ** (noise_db / 10.0)
    old = covered(peaks, peaks.f_hz, ringing)
    without[:count][old] += 10.0 ** (before_db[old] / 10.0)
    used = (share[: len(notes) - above] > 0.0).any(axis=0)
    return Places(
        level=10.0 ** (level_db[used] / 10.0),
        heard=(np.arange(len(f_hz)) < count)[used],
        without=without[used],
        share=share[:, used],
    )


def _alone(places: Places) -> Array:
    """How loud each candidate would be alone: the middle of what its partials say, power."""
    result = np.full(len(places.share), 1e-20)
    for k, share in enumerate(places.share):
        own = (share > 0.0) & places.heard
        if own.any():
            result[k] = middle_of(places.level[own] / share[own])
    return result


def _costs(
    places: Places, tries: NDArray[np.bool_], loud: Array, spread_db: float
) -> tuple[Array, Array]:
    """How unlikely what is heard would be of each set of notes, and how loud each note is then.

    tries: (sets, candidates). The cost is minus the logarithm of Student's t of the levels, in dB.
    Loudness is fitted in a few steps: each note takes of the misfit what it has of the power.
    """
    power = np.where(tries, loud[None, :], 0.0)
    for step in range(STEPS + 1):
        total = power @ places.share + places.without
        off = 10.0 * np.log10(places.level / total)
        off = np.where(places.heard, off, np.minimum(off, 0.0))
        square = (off / spread_db) ** 2
        if step == STEPS:
            break
        weight = (FREEDOM + 1.0) / (FREEDOM + square) / total
        move = (weight * off) @ places.share.T / np.maximum(weight @ places.share.T, 1e-30)
        power = power * 10.0 ** (move / 10.0)
    each = (FREEDOM + 1.0) / 2.0 * np.log1p(square / FREEDOM)
    level_db = 10.0 * np.log10(places.level)
    top_db = level_db[places.heard].max(initial=-np.inf)
    worth = np.clip((level_db - top_db + COUNTED_DB) / COUNTED_DB, 0.0, 1.0)
    return (each * worth).sum(axis=1), power


def _uneven(tries: NDArray[np.bool_], power: Array) -> Array:
    """How unlikely it is that the notes of each set are as loud as `_costs` found; (sets,).

    What is fitted to side bands of a loud low string lies far under it.
    """
    away = 999.0  # sorted last
    level_db = np.where(tries, 10.0 * np.log10(np.maximum(power, 1e-30)), away)
    ordered, count, row = np.sort(level_db, axis=1), tries.sum(axis=1), np.arange(len(tries))
    middle = (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2.0
    off = np.where(tries, level_db - middle[:, None], 0.0)
    return np.asarray(0.5 * ((off / UNEVEN_DB) ** 2).sum(axis=1))
