"""One stem from its file to measured notes: read, track, segment, analyze; what a worker runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from planner.analyzer import analyze
from planner.edges.heard_stem import HeardStem
from planner.files.audio import read_stem_audio
from planner.leaks.leaks_out import Leak, without_leaks
from planner.leaks.mains_hum import Hum, without_hum
from planner.leaks.spectra import coarse_spectra
from planner.model import Finding, Measurement, Note, Stem
from planner.segment.single_line import find_notes
from planner.words.roles import is_chordal, role_range_hz, seldom_below_hz
from planner.words.session_model import StemSpec

if TYPE_CHECKING:
    from planner.score.score_match import StemScore

ANALYSIS_SR = 16000  # 6 partials of the highest note (2.5 kHz) lie below, 190 of the lowest
_FAINT_HUM_DBFS = -70.0  # chosen: below, it is lost in any mix


def hear_stem(
    spec: StemSpec,
    path: Path,
    file: str,
    score: StemScore | None = None,
    sha256: str | None = None,
    leaks: Sequence[Leak] = (),
) -> HeardStem:
    """Read one stem and measure its notes; an excluded stem is read but not listened to.

    path, file: the file, and its name as the session file writes it.
    score: where several notes sound at once, one that fits leads a second search and a third.
    sha256: of the file's content, where it is known already.
    leaks: what other stems are known to leak in; it is turned down before notes are looked for.

    Raises AudioError if the file cannot be read.
    """
    facts, samples, findings = read_stem_audio(
        path, file=file, side=spec.side, analysis_sr=ANALYSIS_SR, sha256=sha256
    )
    findings = tuple(f if f.stem else replace(f, stem=spec.code) for f in findings)
    samples, hum = without_hum(samples, ANALYSIS_SR)
    if hum is not None and hum.level_dbfs > _FAINT_HUM_DBFS:
        findings = (*findings, _hum_finding(hum, spec.code))
    spectra = coarse_spectra(samples, ANALYSIS_SR)
    if leaks:
        samples = without_leaks(samples, ANALYSIS_SR, spectra, leaks)
    notes: tuple[tuple[Note, Measurement], ...] = ()
    if spec.role != "exclude":
        stem = Stem(
            code=spec.code,
            role=spec.role,
            samples=samples,
            analysis_sr=ANALYSIS_SR,
            sr=facts.sr,
            frames=facts.frames,
            range_hz=role_range_hz(spec),
            seldom_below_hz=seldom_below_hz(spec),
        )
        if is_chordal(spec):
            # Here alone: a worker that hears a single line starts 0.04 s of 0.47 sooner without.
            from planner.edges.scored_chords import find_scored_notes

            notes = find_scored_notes(stem, score)
        else:
            found, pitch_track = find_notes(stem)
            notes = tuple(zip(found, analyze(stem, pitch_track, found), strict=True))
    return HeardStem(code=spec.code, facts=facts, notes=notes, findings=findings, spectra=spectra)


def _hum_finding(hum: Hum, code: str) -> Finding:
    return Finding(
        severity="note",
        what=f"mains hum stands through the file: multiples of {hum.mains_hz:.0f} Hz, "
        f"{hum.level_dbfs:.0f} dBFS together.",
        did="Notes were looked for and measured with it taken out; the file is as it was.",
        stem=code,
    )
