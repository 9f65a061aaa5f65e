"""How the stems of a song are tuned together: one odd stem, an odd reference, or all of them.

What all stems have in common is told once, and of the song: not stem by stem.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.model import ABOUT_ALL, FIXED_ROLES, Finding, SessionA4, StemNotes
from planner.pitch import STANDARD_A4_HZ, cents, hz_to_midi, shift_hz
from planner.target.a4_fit import folded_cents
from planner.words.session_model import Session
from planner.words.wording import amount, flat_or_sharp

ENOUGH_NOTES = 12  # chosen: fewer say nothing about how a part is tuned
AGREE_CENTS = 5.0  # chosen: parts of one band tuned together agree within this
OFF_CENTS = 3.0  # chosen: below it, "the whole song is off" is no news
RATE_SLIP_CENTS = cents(48000, 44100) - 100  # 46.7 beyond a semitone: 146.7 in all
PULL_DOWN_CENTS = cents(1001, 1000)  # 1.73: picture at 24 or 24/1.001 frames a second
_SLIP_WITHIN_CENTS = 4.0  # a band at 441 instead of 440 Hz stands 3.9 off as well
_SLIP_LENGTH_SHARE = 0.005  # chosen: ends are trimmed by less than this of a song
_HALFWAY_CENTS = 10.0  # chosen: this near to 50, the next note is as likely as this one
_OTHER_NOTES_CENTS = 25.0  # chosen: nearer halfway than home, the next note is named as well
# What pianos, organs and mallets are tuned and built to; common practice, no source.
_BUILT_HZ = (438.0, 443.0)
# The one A4 far from 440 Hz that whole bands are tuned to; common practice, no source.
_LOW_A4_HZ = 432.0
_LOW_SLIP_WITHIN_CENTS = 1.0  # chosen: a band by a tuner stands this near, and it is a hint only
_WAITS = "Nothing is planned for it before a yes."
_FEWEST_OTHERS = 3  # chosen: two stems that agree may have been tuned to each other


def tuning_findings(
    session: Session,
    tuned: Sequence[tuple[StemNotes, float]],
    stems: Sequence[StemNotes],
    scored: frozenset[str] = frozenset(),
    a4: SessionA4 | None = None,
) -> list[Finding]:
    """Say what is odd about how the stems are tuned together.

    tuned: sequence of (StemNotes, float); the stems that have a common deviation, and that, in
        cents of -50 to 50 (`centre_cents`).
    stems: all that are used: the longest says how long the song is.
    scored: codes of stems whose score says which notes were meant.
    a4: where the song stands, as far as that was found: then all stems are said to stand there.
    """
    found = list(_whole_song(tuned, session, a4))
    alike = bool(found)
    for each, centre in tuned:
        others = [other for one, other in tuned if one is not each]
        slipped = list(_slipped(each, centre, others, stems))
        found += slipped
        if each.code not in scored and not slipped and not alike:
            found += _between(each, centre)
    if not any(one.stem == session.reference_from for one in found):
        found += _reference_alone(session, tuned)
    return found


def told_once(a4: SessionA4, noticed: Iterable[Finding]) -> SessionA4:
    """Take from what is said of A4 what is said of the whole song already."""
    if not any(one.about == ABOUT_ALL for one in noticed):
        return a4
    return replace(a4, findings=tuple(f for f in a4.findings if f.about != ABOUT_ALL))


def pitches_of(stem: StemNotes) -> list[float]:
    """Give the frequencies of the notes that were measured well enough to argue from."""
    return [
        hz
        for each in stem.notes
        if each.measurement.confidence in ("firm", "fair")
        for hz in [each.measurement.heard_hz or each.measurement.sustain_hz]
        if hz is not None
    ]


def deviations(session: Session, stem: StemNotes) -> NDArray[np.float64]:
    """Give how far each note lies from equal temperament at home, in cents of -50 to 50."""
    a4 = session.a4_hz or STANDARD_A4_HZ
    away = [100 * hz_to_midi(hz, a4) - session.whole_song_offset_cents for hz in pitches_of(stem)]
    return np.asarray([(each + 50) % 100 - 50 for each in away], dtype=np.float64)


def centre_cents(session: Session, stem: StemNotes) -> float | None:
    """Give a stem's common deviation, or None where its notes have none in common.

    The mean of angles, one turn to a semitone (N. I. Fisher, Statistical Analysis of Circular
    Data, 1993, section 2.3), so that 49 sharp and 49 flat are neighbours.
    """
    away = deviations(session, stem)
    if len(away) < ENOUGH_NOTES:
        return None
    mean = np.exp(2j * np.pi * away / 100).mean()
    if abs(mean) < 0.7:  # chosen: about 13 cents of spread; beyond it a mean tells nothing
        return None
    return float(np.angle(mean) * 100 / (2 * np.pi))


def _whole_song(
    tuned: Sequence[tuple[StemNotes, float]], session: Session, a4: SessionA4 | None
) -> Iterator[Finding]:
    # Instruments that cannot be moved say where A4 stands, not how fast a tape ran.
    if len(tuned) < 2 or all(stem.role in FIXED_ROLES for stem, _ in tuned):
        return
    off = _middle([centre for _, centre in tuned])
    by = ""
    if a4 is not None and a4.measured_hz is not None and abs(off) > OFF_CENTS:
        # Others may stand somewhat off the reference: their middle is not where the song is.
        home_hz = session.a4_hz or STANDARD_A4_HZ
        off = folded_cents(cents(a4.measured_hz, home_hz) - session.whole_song_offset_cents)
        if a4.found_from.startswith("majority"):
            by = ", and nothing fixed was named to judge them by"
    if any(abs(folded_cents(centre - off)) > AGREE_CENTS for _, centre in tuned):
        return
    did = "Counted as home: nothing is proposed for it."
    home_hz, home = STANDARD_A4_HZ, ""
    if session.a4_hz is not None:  # a typed A4 is where home is, wherever the band stood
        home_hz, home = session.a4_hz, f" of A4 = {session.a4_hz:g} Hz"
        did = f"Judged against the A4 in the session file, {session.a4_hz:g} Hz."

    def told(severity: Literal["question", "note"], what: str, advice: str) -> Finding:
        return Finding(severity=severity, what=what, did=did, advice=advice, about=ABOUT_ALL)

    slip = _rate_slip(off)
    if abs(off) > OFF_CENTS and _reference_is_built_so(tuned, session, a4):
        return
    if slip:
        nearest = f" at A4 = {home_hz:g} Hz" if home else ""
        yield told(
            "question",
            f"every stem is off by {amount(off)} cents from the nearest notes{nearest}{by}: "
            f"{slip}.",
            "Compare the rate in the files with the rate of the recording.",
        )
    elif abs(off) > OFF_CENTS:
        yield told(
            "question",
            f"every stem is about {flat_or_sharp(off)}{home}{_other_notes(off)}{by}: tape speed, "
            f"or tuned so?{_at_432(off, session)}",
            _to_stay_so(off, home_hz)
            if home
            else "If the band tuned so, write the A4 in the session file"
            + (", or name a reference stem." if by else "."),
        )
    elif abs(abs(off) - PULL_DOWN_CENTS) < 0.3 and all(
        abs(centre - off) < 0.3 for _, centre in tuned
    ):
        yield told(
            "note",
            f"every stem is {flat_or_sharp(off)}, alike within 0.3 cents: it looks like a "
            "0.1 % change of speed for picture.",
            "Ask whether the song went through a picture session.",
        )


def _reference_is_built_so(
    tuned: Sequence[tuple[StemNotes, float]], session: Session, a4: SessionA4 | None
) -> bool:
    """Whether an instrument that cannot be moved was named, and stands where such are tuned to."""
    if a4 is None or a4.measured_hz is None or session.a4_hz is not None:
        return False
    fixed = any(
        stem.code == session.reference_from and stem.role in FIXED_ROLES for stem, _ in tuned
    )
    return fixed and _BUILT_HZ[0] <= round(a4.measured_hz, 1) <= _BUILT_HZ[1]


def _other_notes(off: float) -> str:
    """The other way round the semitone, where that is nearly as likely."""
    if abs(off) <= _OTHER_NOTES_CENTS:
        return ""
    side = "lower" if off < 0 else "higher"
    other = off - np.copysign(100.0, off)
    return f" (or {flat_or_sharp(other)}, if the notes a semitone {side} were meant)"


def _to_stay_so(off: float, home_hz: float) -> str:
    others = [off] if abs(off) <= _OTHER_NOTES_CENTS else [off, off - np.copysign(100.0, off)]
    where = " or ".join(f"{shift_hz(home_hz, each):.1f}" for each in others)
    return f"If it is to stay so, type where it stands: a4_hz: {where}."


def _at_432(off: float, session: Session) -> str:
    """A hint at a band tuned low whose rate was mistaken: only where no A4 is typed."""
    if session.a4_hz is not None:
        return ""
    low = cents(_LOW_A4_HZ, STANDARD_A4_HZ)
    for slip in (RATE_SLIP_CENTS, -RATE_SLIP_CENTS):
        if abs(folded_cents(off - low - slip)) <= _LOW_SLIP_WITHIN_CENTS:
            return f" A band at {_LOW_A4_HZ:g} Hz would lie so if 44.1 and 48 kHz were mixed up."
    return ""


def _rate_slip(off: float) -> str:
    if abs(abs(off) - RATE_SLIP_CENTS) > _SLIP_WITHIN_CENTS:
        return ""
    whole = 100 + RATE_SLIP_CENTS
    return f"if {amount(whole)} cents in all, 44.1 and 48 kHz were taken for each other"


def _slipped(
    stem: StemNotes, centre: float, others: Sequence[float], stems: Sequence[StemNotes]
) -> Iterator[Finding]:
    """One stem that stands off the others as 44.1 kHz taken for 48 does, whatever their A4."""
    if len(others) < 2:
        return
    home = _middle(others)
    apart = folded_cents(centre - home)
    agree = sum(abs(folded_cents(other - home)) <= AGREE_CENTS for other in others)
    if 2 * agree <= len(others) or not _rate_slip(apart):
        return
    longest_s = max((s.facts.length_s for s in stems if s.facts is not None), default=0.0)
    length = ""
    if stem.facts is not None and longest_s:
        ratio = stem.facts.length_s / longest_s
        if min(abs(ratio * r - 1.0) for r in (48000 / 44100, 44100 / 48000)) <= _SLIP_LENGTH_SHARE:
            length = ", and its length differs from the longest stem's in the same proportion"
    yield Finding(
        severity="question",
        what=f"{stem.code} lies {amount(apart)} cents off the others: {_rate_slip(apart)}{length}.",
        did=_WAITS,
        advice="Compare the rate in the file with the rate of the recording.",
        stem=stem.code,
        asks="far off as a whole",
    )


def _between(stem: StemNotes, centre: float) -> Iterator[Finding]:
    if 50 - abs(centre) > _HALFWAY_CENTS:
        return
    slip = _rate_slip(centre)
    yield Finding(
        severity="question",
        what=f"{stem.code} lies {amount(centre)} cents from the nearest notes: nearly halfway, so "
        "which notes were meant cannot be told" + (f"; {slip}." if slip else "."),
        did=_WAITS,
        advice="Say which notes were meant (a score), or check the file's rate and speed.",
        stem=stem.code,
        asks="far off as a whole",
    )


def _reference_alone(
    session: Session, tuned: Sequence[tuple[StemNotes, float]]
) -> Iterator[Finding]:
    """The reference apart from all others, which agree with each other."""
    reference = [centre for stem, centre in tuned if stem.code == session.reference_from]
    others = [(stem, centre) for stem, centre in tuned if stem.code != session.reference_from]
    if not reference or len(others) < _FEWEST_OTHERS:
        return
    home = _middle([centre for _, centre in others])
    apart = folded_cents(reference[0] - home)
    alike = all(abs(folded_cents(centre - home)) <= AGREE_CENTS for _, centre in others)
    if not alike or round(abs(apart), 1) <= AGREE_CENTS:
        return
    code = session.reference_from or ""
    yield Finding(
        severity="question",
        what=f"{code}, the pitch reference, is {flat_or_sharp(apart)} of the {len(others)} other "
        f"stems ({', '.join(stem.code for stem, _ in others)}), which agree with each other: is it "
        "the one that is off?",
        did=f"All are judged against {code}.",
        advice="If the band played to something else, name that as pitch_reference or type a4_hz; "
        f"if {code} cannot be changed, the others belong to it.",
        stem=code,
    )


def _middle(centres: Sequence[float]) -> float:
    """The mean of deviations that are known modulo a semitone."""
    turns = np.exp(2j * np.pi * np.array(centres) / 100)
    return float(np.angle(turns.mean()) * 100 / (2 * np.pi))
