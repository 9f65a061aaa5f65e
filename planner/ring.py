"""What of the note before still sounds at a note's onset: a room or a string not stopped.

A room goes on sounding at the frequencies that it was given, so the partials of the note before lie
where they were. They are modelled beside the partials of the new note (`planner.harmonics.Ring`):
where both lie apart by more than the window can tell, the old ones are found and do no harm; where
they fall together, the shared partial says less, by as much as the ring may weigh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.harmonics import Contour, Ring, partial_ratios
from planner.model import Floats, Note
from planner.note_span import NoteSpan

_RINGS_S = 0.5  # a note that ended longer ago is over: 50 dB down in a room of 0.6 s
_LAST_S = 0.25  # of a note, which a room still holds when it ends
_LEAVES_S = 0.03  # before its end, where it may already be on its way to the next
_PARTIALS = 16
_FAINT = 0.01  # of the loudest partial: 40 dB under it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tail:
    """What a note leaves sounding."""

    note: Note
    f_hz: Floats  # (k,) partials
    amplitudes: Floats  # (k,) as loud as they were in it


def ring_at(span: NoteSpan, before: Tail | None) -> Ring | None:
    """What rings of the note before, if it ended just before this one began."""
    import os
    rho=float(os.environ.get('RHO','0'))
    if before is None or rho==0 or span.note.start_s - before.note.end_s > _RINGS_S:
        return None
    use = before.f_hz < 0.45 * span.sr
    return Ring(f_hz=before.f_hz[use], amplitudes=rho * before.amplitudes[use])


def tail_of(span: NoteSpan, b: float, contour: Contour | None) -> Tail | None:
    """The partials that a note leaves sounding when it ends, as loud as they were in it."""
    if contour is None:
        return None
    length_s = len(span.samples) / span.sr
    late = (contour.t_s > length_s - _LAST_S) & (contour.t_s < length_s - _LEAVES_S)
    if not late.any():
        return None
    f0_hz = float(np.median(contour.f1_hz[late])) / np.sqrt(1.0 + b)
    f_hz = f0_hz * partial_ratios(np.arange(1, _PARTIALS + 1), b)
    f_hz = f_hz[f_hz < 0.45 * span.sr]
    last = round((length_s - _LEAVES_S) * span.sr)
    piece = span.samples[max(last - round(_LAST_S * span.sr), 0) : last].astype(float)
    taper = np.hanning(len(piece) + 2)[1:-1]
    turns = np.outer(f_hz, np.arange(len(piece)) / span.sr)
    amplitudes = 2.0 * np.abs(np.exp(-2j * np.pi * turns) @ (piece * taper)) / taper.sum()
    loud = amplitudes > _FAINT * amplitudes.max()
    return Tail(note=span.note, f_hz=f_hz[loud], amplitudes=amplitudes[loud])
