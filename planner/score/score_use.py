"""Whether a stem's score is used, which notes it says were meant, and what is said about it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from planner.model import Finding, StemNotes
from planner.pitch import hz_to_midi
from planner.score.score_match import ScoreMatch, StemScore, match_score
from planner.timeline import TempoMap
from planner.words.roles import chords_written_as, is_chordal
from planner.words.wording import count

# Of 150 pairs of unlike tunes of 60 notes in one key none agrees in more than 0.53 of the notes, of
# 24 notes one in more than 0.7; tunes played from their score, with 3 % each of wrong, left out and
# added notes, agree in 0.89 and 0.81 at least (2026-11-25, tunes of
# tests/score/test_score_match.py). Chosen between.
LEAST_SHARE = 0.7
# Chosen: none of those unlike tunes agreed in 0.7 and in eight notes; where pitch and place are as
# written, four are enough.
_LEAST_NOTES, _LEAST_AS_WRITTEN = 8, 4
_IN_PLACE_S = 1.0  # chosen: less than a bar, more than a late entry
_SAME_BAR = 0.15  # bars; chosen: closer to a whole bar than this is called one
_PLACES_TOLD = 3
_TOGETHER_SHARE = 0.5  # of the shorter note; chosen: a legato line overlaps by less
_TOGETHER_SHARE_OF_NOTES = 0.1  # chosen: a double stop now and then is no chord part

_INTERVALS = (
    "", "a semitone", "a major second", "a minor third", "a major third", "a fourth", "a tritone",
    "a fifth", "a minor sixth", "a major sixth", "a minor seventh", "a major seventh",
)  # fmt: skip

Verdict = Literal["fits", "elsewhere", "too few"]


def verdict(match: ScoreMatch | None, score: StemScore) -> Verdict:
    """Say whether a score fits as it stands, fits at another pitch or place, or hardly at all.

    Octaves count as fitting: parts for bass and guitar are written an octave up.
    """
    if match is None or match.share < LEAST_SHARE or match.steady < _LEAST_AS_WRITTEN:
        return "too few"
    if match.steady < _LEAST_NOTES and match.steady < LEAST_SHARE * match.found:
        return "too few"  # a handful out of many is found in any tune
    if _in_pitch(match, score) and _in_place(match, score):
        return "fits"
    return "elsewhere" if match.steady >= _LEAST_NOTES else "too few"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoresSay:
    """What scores say of the notes, and how they fit."""

    meant: Mapping[str, int] = field(default_factory=dict)  # note id -> MIDI note
    words: Mapping[str, str] = field(default_factory=dict)  # note id -> word
    findings: tuple[Finding, ...] = ()


def scores_say(
    stems: tuple[StemNotes, ...],
    scores: Mapping[str, StemScore],
    a4_hz: float,
    tempo_map: TempoMap | None,
) -> ScoresSay:
    """Say which notes the scores of all stems name, which words they put there, how they fit."""
    meant: dict[str, int] = {}
    words: dict[str, str] = {}
    findings: list[Finding] = []
    for stem in stems:
        if stem.code in scores and stem.notes and stem.role != "exclude":
            said = use_score(stem, scores[stem.code], a4_hz, tempo_map)
            meant |= said.meant
            words |= said.words
            findings += [*several_at_once(stem, scores[stem.code]), *said.findings]
    return ScoresSay(meant=meant, words=words, findings=tuple(findings))


def use_score(
    stem: StemNotes, score: StemScore, a4_hz: float, tempo_map: TempoMap | None
) -> ScoresSay:
    """Say which notes of a stem the score names, which words it puts there, and how it fits.

    Nothing is taken from a score that fits only at another pitch or place: that is asked.
    """
    pitches = [hz_to_midi(n.measurement.heard_hz or n.note.pitch_hz, a4_hz) for n in stem.notes]
    match = match_score(
        [n.note.start_s for n in stem.notes], pitches, score,
        one_at_a_time=not is_chordal(stem),
    )  # fmt: skip
    found = verdict(match, score)
    if match is None or found == "too few":
        return ScoresSay(findings=(_too_few(stem, score, match),))
    if found == "elsewhere":
        return ScoresSay(findings=(_asked(stem, score, match, tempo_map),))
    named = [(stem.notes[i].id, j) for i, j in match.pairs]
    meant = {note_id: score.notes[j][2] + match.transpose for note_id, j in named}
    return ScoresSay(
        meant={note_id: midi for note_id, midi in meant.items() if 0 <= midi <= 127},
        words={note_id: score.words[j] for note_id, j in named if score.words and score.words[j]},
        findings=tuple(_told(stem, score, match, pitches, tempo_map)),
    )


def several_at_once(stem: StemNotes, score: StemScore) -> tuple[Finding, ...]:
    """Ask about a score with chords for a part that is read as a single line."""
    if is_chordal(stem) or len(score.notes) < 2:
        return ()
    inside: set[int] = set()
    notes = score.notes
    for i, (start_s, end_s, _) in enumerate(notes):
        for j in range(i + 1, len(notes)):
            if notes[j][0] >= end_s:
                break
            together_s = min(end_s, notes[j][1]) - notes[j][0]
            if together_s > _TOGETHER_SHARE * min(end_s - start_s, notes[j][1] - notes[j][0]):
                inside |= {i, j}
    if len(inside) < max(_TOGETHER_SHARE_OF_NOTES * len(notes), 2):
        return ()
    return (
        Finding(
            severity="question",
            what=f"{len(inside)} of {count(len(notes), 'note')} of {stem.code}'s score "
            f"({score.name}) sound together with another, and its role, {stem.role}, is read as "
            "one note at a time: does it play chords?",
            did="One note was looked for at a time; of notes that sound together one at most is "
            "found.",
            advice=f"For chords write {chords_written_as(stem.role)}; if it plays one line of "
            "them, name a track with that line alone.",
            stem=stem.code,
            asks="role of several at once",
        ),
    )


def _in_pitch(match: ScoreMatch, score: StemScore) -> bool:
    return score.transpose is not None or match.transpose % 12 == 0


def _in_place(match: ScoreMatch, score: StemScore) -> bool:
    # At another tempo the first note may lie elsewhere although the score's start is in its place.
    return any(
        min(abs(match.later_s - e), abs(match.zero_s - e)) <= _IN_PLACE_S for e in score.expected_s
    )


def _too_few(stem: StemNotes, score: StemScore, match: ScoreMatch | None) -> Finding:
    agree, span = (match.steady, match.found_in_span) if match else (0, len(stem.notes))
    return Finding(
        severity="warning",
        what=f"{stem.code}: {agree} of {count(span, 'note')} agree with its score ({score.name}, "
        f"{count(len(score.notes), 'note')}); {100 * LEAST_SHARE:.0f} % of them and "
        f"{_LEAST_AS_WRITTEN} at least are asked for, since tunes in one key agree in half by "
        "chance.",
        did="The score was not used: the nearest note is taken for the one meant.",
        advice="Check that file, track and transposition are this part's.",
        stem=stem.code,
    )


def _asked(
    stem: StemNotes, score: StemScore, match: ScoreMatch, tempo_map: TempoMap | None
) -> Finding:
    where, write = [], []
    if not _in_pitch(match, score):
        where.append(transposed_in_words(match.transpose))
        write.append(f"transpose: {match.transpose}")
    if not _in_place(match, score):
        where.append(_later_in_words(match, score, tempo_map))
        write.append(f"later_s: {match.later_s:.2f}")
    return Finding(
        severity="question",
        what=f"The score of {stem.code} ({score.name}) fits {' and '.join(where)}: "
        f"{match.agree} of {count(match.found_in_span, 'note')} agree. Use it so?",
        did="It was not used: the nearest note is taken for the one meant.",
        advice=f"If so, write {', '.join(write)} beside the score's file in the session file.",
        stem=stem.code,
    )


def _told(
    stem: StemNotes,
    score: StemScore,
    match: ScoreMatch,
    pitches: list[float],
    tempo_map: TempoMap | None,
) -> list[Finding]:
    findings = []
    if match.transpose and score.transpose is None:
        findings.append(
            Finding(
                severity="note",
                what=f"{stem.code} sounds {transposed_in_words(match.transpose)} than its score "
                f"({score.name}), as parts for some instruments are written.",
                did="Taken so.",
                advice=f"To say so yourself, write transpose: {match.transpose} beside its file.",
                stem=stem.code,
            )
        )
    taken = {i for i, _ in match.pairs}
    paired = {j for _, j in match.pairs}
    lo, hi = match.placed_s.min() - 0.5, match.placed_s.max() + 0.5
    others = [
        n.note.start_s
        for i, n in enumerate(stem.notes)
        if i not in taken and lo <= n.note.start_s <= hi
    ]
    outside = len(stem.notes) - len(taken) - len(others)
    missing = sorted(
        float(at) for j, at in enumerate(match.placed_s) if j not in paired and at >= 0
    )
    length_s = stem.facts.length_s if stem.facts else float("inf")
    missing = [at for at in missing if at <= length_s]
    played_otherwise = len(match.pairs) - match.agree
    told = [f"{stem.code}: {match.agree} of {count(len(stem.notes), 'note')} agree with the score"]
    if played_otherwise:
        told.append(f"{played_otherwise} in its place more than a semitone away")
    if others:
        told.append(f"{len(others)} beside it ({_places(others, tempo_map)})")
    if outside:
        told.append(f"{outside} before or after it")
    if missing:
        heard = "heard as notes" if is_chordal(stem) else "found"
        places = _places(missing, tempo_map)
        told.append(f"{count(len(missing), 'note')} of the score not {heard} ({places})")
    findings.append(
        Finding(
            severity="note",
            what=f"{'; '.join(told)}. Score: {score.name}.",
            did="The score says which note was meant; notes beside it count as the nearest note.",
            advice="Players vary, and soft or covered notes are missed here: nothing to do unless "
            "it surprises you."
            if others or missing or played_otherwise
            else "",
            stem=stem.code,
        )
    )
    return findings


def transposed_in_words(semitones: int) -> str:
    """Say a transposition: ``a major second lower``, ``an octave and a fifth higher``."""
    octaves, rest = divmod(abs(semitones), 12)
    size = "an octave" if octaves == 1 else f"{octaves} octaves" if octaves else ""
    interval = " and ".join(part for part in (size, _INTERVALS[rest]) if part)
    return f"{interval} {'lower' if semitones < 0 else 'higher'}"


def _later_in_words(match: ScoreMatch, score: StemScore, tempo_map: TempoMap | None) -> str:
    by_s = min((match.later_s - e for e in score.expected_s), key=abs)
    side = "later" if by_s > 0 else "earlier"
    if tempo_map is not None:
        bar, _ = tempo_map.bar_beat(max(float(match.placed_s.min()), 0.0))
        bar_s = tempo_map.seconds_at(max(bar, 1) + 1) - tempo_map.seconds_at(max(bar, 1))
        bars = abs(by_s) / bar_s
        if round(bars) and abs(bars - round(bars)) <= _SAME_BAR:
            return f"{count(round(bars), 'bar')} {side}"
    return f"{abs(by_s):.2f} s {side}"


def _places(times_s: list[float], tempo_map: TempoMap | None) -> str:
    if tempo_map is None:
        said = [f"{at:.1f} s" for at in times_s]
    else:
        said = [f"bar {tempo_map.bar_beat(max(at, 0.0))[0]}" for at in times_s]
    said = list(dict.fromkeys(said))
    more = ", ..." if len(said) > _PLACES_TOLD else ""
    return f"{', '.join(said[:_PLACES_TOLD])}{more}"
