"""What was heard in one stem, and what of a session file that may depend on."""

from __future__ import annotations

from dataclasses import dataclass

from planner.model import AudioFacts, Finding, Measurement, Note
from planner.session_model import StemSpec
from planner.spectra import Spectra


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardStem:
    """What was heard in one stem."""

    code: str
    facts: AudioFacts
    notes: tuple[tuple[Note, Measurement], ...]
    findings: tuple[Finding, ...]
    spectra: Spectra  # what is kept of the sound, to tell which stem leaks into which


def as_listened_to(spec: StemSpec) -> StemSpec:
    """Leave of a stem's entry only what listening may go by.

    Whoever listens is given this and nothing more, so that what was heard once can be used again
    as long as this, the file, its score and the program stay the same.
    """
    return StemSpec(
        code=spec.code,
        file=spec.file,
        role=spec.role,
        several_notes=spec.several_notes,
        side=spec.side,
        strings=spec.strings,
        capo=spec.capo,
        range_midi=spec.range_midi,
    )
