"""What was heard in one stem, and which fields of its entry hearing may depend on."""

from dataclasses import dataclass

import numpy as np

from planner.leaks.spectra import HOP_S, Spectra
from planner.model import SILENT_DBFS, AudioFacts, Finding, Measurement, Note
from planner.words.session_model import StemSpec

# Chosen: loud is within 15 dB of the loudest twentieth; what rings, breathes or leaks in lies
# lower. Less than 4 s of it may be one odd sound.
_LOUD_PERCENT, _LOUD_DB, _LEAST_S = 95.0, 15.0, 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardStem:
    """What was heard in one stem."""

    code: str
    facts: AudioFacts
    notes: tuple[tuple[Note, Measurement], ...]
    findings: tuple[Finding, ...]
    spectra: Spectra  # what is kept of the sound, to tell which stem leaks into which


def found_share(heard: HeardStem) -> float | None:
    """Give the share of a stem's loud time that its notes fill; None where that time is short."""
    level_dbfs = heard.spectra.level_dbfs()
    loud_db = float(np.percentile(level_dbfs, _LOUD_PERCENT))
    loud = level_dbfs > max(loud_db - _LOUD_DB, SILENT_DBFS)
    if loud.sum() * HOP_S < _LEAST_S:
        return None
    at_s = np.flatnonzero(loud) * HOP_S
    inside = np.zeros(len(at_s), dtype=bool)
    for note, _ in heard.notes:
        inside |= (at_s >= note.start_s) & (at_s <= note.end_s)
    return float(inside.mean())


def as_listened_to(spec: StemSpec) -> StemSpec:
    """Keep of a stem's entry only what listening may depend on.

    Listening is given this and nothing more. So what was heard once can be used again for as long
    as this, the file, its score and the program stay the same.
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
