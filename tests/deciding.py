"""Invented measured notes for the tests of everything that decides."""

from dataclasses import replace
from typing import Any

import numpy as np

from planner.files.configs import read_judging, read_tolerances
from planner.model import MeasuredNote, Measurement, Note, Role, SessionA4, StemNotes
from planner.pitch import midi_to_hz, shift_hz
from planner.plan.ground import Ground
from planner.plan.planning import make_plan
from planner.scope.scope_rule import PartGround
from planner.words.plan_model import Judged, Plan
from planner.words.session_model import Session, StemSpec

A4 = SessionA4(a4_hz=440.0, found_from="typed")
TOLERANCES = read_tolerances()
PLAIN = read_judging("plain-band")
SR = 48000


def part_ground(role: Role, **more: Any) -> PartGround:
    """What the rules of a part rest on, of a plain band unless ``more`` says otherwise."""
    return PartGround(**{"role": role, "tolerances": TOLERANCES, "judging": PLAIN, **more})


def note(
    note_id: str,
    midi: int,
    cents: float,
    *,
    start_s: float = 0.0,
    length_s: float = 1.0,
    onset: float | None = None,
    end: float | None = None,
    level_db: float = -20.0,
    uncertainty: float | None = 1.0,
    heard: float | None = None,
    short: bool = False,
    begins: Any = "soft",
    **measured: Any,
) -> MeasuredNote:
    """One note ``cents`` off a MIDI note at A4 = 440; ``onset`` and ``end`` likewise."""
    at = midi_to_hz(midi)
    onset = cents if onset is None else onset
    end = cents if end is None else end
    heard = (onset if short else cents) if heard is None else heard
    return MeasuredNote(
        id=note_id,
        note=Note(
            stem=note_id.split("-")[0],
            start_s=start_s,
            end_s=start_s + length_s,
            start_smp=round(start_s * SR),
            end_smp=round((start_s + length_s) * SR),
            pitch_hz=shift_hz(at, cents),
            strength=0.9,
            pitched_share=1.0,
            level_db=level_db,
            begins=begins,
        ),
        measurement=Measurement(
            **{
                "onset_hz": shift_hz(at, onset),
                "sustain_hz": None if short else shift_hz(at, cents),
                "end_hz": None if short else shift_hz(at, end),
                "heard_hz": shift_hz(at, heard),
                "uncertainty_cents": None if short else uncertainty,
                "onset_uncertainty_cents": uncertainty,
                "confidence": "firm",
                **measured,
            }
        ),
    )


def contour(start_s: float, length_s: float, midi: int, shape: Any) -> dict[str, Any]:
    """Pitch along a note: ``shape`` maps s from its start to cents off the MIDI note."""
    time_s = np.arange(0.0, length_s, 0.01)
    off = np.array([shape(t) for t in time_s])
    return {"contour_s": time_s + start_s, "contour_hz": midi_to_hz(midi) * 2 ** (off / 1200)}


def stem(code: str, role: Role, notes: list[MeasuredNote]) -> StemNotes:
    return StemNotes(code=code, role=role, facts=None, notes=tuple(notes))


def session(*stems: StemNotes, **fields: Any) -> Session:
    specs = tuple(StemSpec(code=s.code, file=f"{s.code.lower()}.wav", role=s.role) for s in stems)
    return Session(**{"song": "Invented", "stems": specs, **fields})


def plan(*stems: StemNotes, **fields: Any) -> Plan:
    """Plan some stems at A4 = 440; ``judging``, ``tempo_map`` and session fields by name."""
    judging = fields.pop("judging", PLAIN)
    tempo_map = fields.pop("tempo_map", None)
    a4 = fields.pop("a4", A4)
    return made_of(session(*stems, **fields), stems, judging=judging, tempo_map=tempo_map, a4=a4)


def made_of(where: Session, stems: tuple[StemNotes, ...], **given: Any) -> Plan:
    """Plan some stems of a session at A4 = 440; fields of the ground by name."""
    usual = {"a4": A4, "tolerances": TOLERANCES, "judging": PLAIN}
    return make_plan(Ground(session=where, **{**usual, **given}), stems)


def line(
    code: str, midis: list[int], errors: list[float], *, length_s: float = 0.8, **fields: Any
) -> list[MeasuredNote]:
    """Notes one after the other, a tenth of a second apart."""
    return [
        note(f"{code}-{k + 1:04d}", m, e, start_s=k * (length_s + 0.1), length_s=length_s, **fields)
        for k, (m, e) in enumerate(zip(midis, errors, strict=True))
    ]


def carried_out(stems: tuple[StemNotes, ...], made: Plan) -> tuple[StemNotes, ...]:
    """The same notes once every planned move has been made, as they would be measured then.

    A stem that is asked about as a whole waits: nothing is decided about it, and nothing moves.
    """
    judged = {j.measured.id: j for j in made.judged}
    decided = {j.measured.note.stem for j in made.judged}
    return tuple(
        replace(s, notes=tuple(_moved(n, judged[n.id]) for n in s.notes))
        if s.code in decided
        else s
        for s in stems
    )


def _moved(n: MeasuredNote, j: Judged) -> MeasuredNote:
    m = n.measurement
    layer = sum(c for _, c in j.layers)
    length_s = n.note.length_s

    def at(t: float) -> float:
        if not j.points:
            return layer
        return layer + float(np.interp(t, [p[0] for p in j.points], [p[1] for p in j.points]))

    def move(hz: float | None, add: float) -> float | None:
        return None if hz is None else shift_hz(hz, add)

    # What is left is told in tenths of a cent; the move itself is what it is.
    heard = j.added_cents if j.points else layer
    changes: dict[str, Any] = {
        "onset_hz": move(m.onset_hz, at(0.02)),
        "sustain_hz": move(m.sustain_hz, at(0.5 * length_s)),
        "end_hz": move(m.end_hz, at(length_s)),
        "heard_hz": move(m.heard_hz, heard),
    }
    if m.slope_cents_per_s is not None:
        held_s = np.linspace(0.1 * length_s, 0.85 * length_s, 200)
        tilt = float(np.polyfit(held_s, [at(t) for t in held_s], 1)[0])
        changes["slope_cents_per_s"] = m.slope_cents_per_s + tilt
    if m.contour_s is not None and m.contour_hz is not None:
        adds = np.array([at(t - n.note.start_s) for t in m.contour_s])
        changes["contour_hz"] = m.contour_hz * 2 ** (adds / 1200)
    return replace(n, measurement=replace(m, **changes))
