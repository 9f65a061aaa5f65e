"""Open strings of a bowed instrument, tuned in pure fifths from its A: nobody stops them.

A pure fifth is 1.96 cents wider than an equal one, so a cello's open C stands 5.9 below the keys,
its G 3.9 and its D 2.0, a violin's E 2.0 above. That is how the instrument is tuned, and no slip:
such notes are judged by it. The same pitch may be stopped on another string, so they must say so.
"""

from dataclasses import replace

import numpy as np

from planner.model import Role, Target
from planner.pitch import cents, shift_hz
from planner.targets import Aimed, aim
from planner.words.spread import doubt_of_middle, spread_of

_FIFTH = 7
_WIDER_CENTS = cents(3.0, 2.0) - 100.0 * _FIFTH
_ENOUGH_NOTES = 3  # chosen: fewer of one pitch say nothing of how it is tuned


def at_open_strings(
    aimed: tuple[Aimed, ...], role: Role, strings: tuple[int, ...]
) -> tuple[Aimed, ...]:
    """Aim notes that sound as open strings in pure fifths at these.

    Of each such pitch the held notes without vibrato count, against all others of the part. They
    must lie nearer to the pure place than to the equal one, by more than chance makes of so few.

    aimed : the notes of one stem in play order
    strings : its open notes (MIDI), as typed; without them nothing is changed
    """
    pure = _off_equal(strings) if role == "bowed" else {}
    held = [(a, a.sustain_cents) for a in aimed if a.sustain_cents is not None]
    others = [off for a, off in held if a.target.intended_midi not in pure]
    sits = float(np.median(others)) if len(others) >= _ENOUGH_NOTES else 0.0
    targets: dict[str, Target] = {}
    for midi, pure_cents in pure.items():
        own = [
            (a, off - sits)
            for a, off in held
            if a.target.intended_midi == midi and not a.measured.measurement.vibrato_half_cents
        ]
        if len(own) < _ENOUGH_NOTES:
            continue
        off = np.array([off for _, off in own])
        beyond_half = (float(np.median(off)) - pure_cents / 2.0) * np.sign(pure_cents)
        if beyond_half <= doubt_of_middle(spread_of(off), len(off)):
            continue
        for a, _ in own:
            targets[a.measured.id] = replace(
                a.target,
                target_hz=shift_hz(a.target.target_hz, pure_cents),
                target_from=f"{a.target.target_from}, an open string in pure fifths from A",
            )
    return tuple(
        aim(a.measured, targets[a.measured.id]) if a.measured.id in targets else a for a in aimed
    )


def _off_equal(strings: tuple[int, ...]) -> dict[int, float]:
    """How far each string that is fifths away from the A string stands off equal, in cents."""
    own_a = [midi for midi in strings if midi % 12 == 9]
    if not own_a:
        return {}
    return {
        midi: (midi - own_a[0]) / _FIFTH * _WIDER_CENTS
        for midi in strings
        if midi != own_a[0] and (midi - own_a[0]) % _FIFTH == 0
    }
