"""Turns the mapping that a session file holds into a `Session`, and tells every slip in it."""

import posixpath
from collections.abc import Mapping
from typing import Any

from planner.model import CHORD_ROLES, FIXED_ROLES, HARMONIC_ROLES, Finding
from planner.read import session_music as music
from planner.read import session_stems as stem_fields
from planner.read.session_stems import MAX_SECONDS
from planner.read.session_values import (
    WRONG,
    Problems,
    code,
    fields,
    list_of,
    nearest,
    number,
    one_of,
    shown,
    text,
    yes_or_no,
)
from planner.words.session_model import Session
from planner.words.timecode import FRAME_RATES, parse_timecode

SESSION_VERSION = 1

# Chosen: from below the lowest historical pitch that is played (about 392 Hz) to above the highest
# (about 466 Hz), so that a slip such as 44 or 4400 is caught.
A4_RANGE_HZ = (350.0, 500.0)
SAMPLE_RATES_HZ = (8000, 384000)  # chosen: from telephone to the fastest converters in use


def session_from_dict(
    data: object, lines: Mapping[str, int], *, file: str, song_if_unnamed: str = "Untitled"
) -> tuple[Session, tuple[Finding, ...]]:
    """Check a session mapping in every field and build the record from it.

    data: what the file holds, as plain values.
    lines: dotted path to line number, for the messages; may be empty.
    file: the session file's name, for the messages.
    song_if_unnamed: the song's name where the file gives none (the folder's name).

    Returns
    -------
    Session : with the records' own defaults where the file is silent
    tuple of Finding : what is legal but has no effect, and what should be known

    Raises SessionError with everything that is wrong, each with its line, field and what to do.
    """
    problems = Problems(lines, file)
    got = _session(problems, data, "")
    problems.raise_if_any()
    got.pop("version", None)
    for name in ("pitch_reference", "tempo", "temperament", "chords_named", "review"):
        got.update(got.pop(name, {}))
    start_smp = got.pop("start_smp", None)
    if start_smp is not None:
        got["stems"] = stem_fields.with_start(got["stems"], start_smp)
    got.setdefault("song", song_if_unnamed)
    at = tuple((key, lines[key]) for key in data if key in lines) if isinstance(data, dict) else ()
    session = Session(**got, field_lines=at)
    stem_fields.check_together(problems, session.stems)
    _check_reference(problems, session)
    _check_followers(problems, session)
    _check_several_notes(problems, session)
    _check_consent(problems, session)
    _check_clock(problems, session)
    _check_bars(problems, session)
    _check_folders(problems, session)
    problems.raise_if_any()
    return session, tuple(problems.notices)


# ---------------------------------------------------------------- the fields at the top


def _version(problems: Problems, value: object, path: str) -> Any:
    if type(value) is int and value == SESSION_VERSION:
        return value
    what = f"this planner reads version {SESSION_VERSION} of the session file, not {shown(value)}"
    hint = f"Write `version: {SESSION_VERSION}`; a file for a newer planner needs that planner."
    return problems.wrong(path, what, hint)


def _frame_rate(problems: Problems, value: object, path: str) -> Any:
    # Written bare it is a number: 25, 29.97; the record keeps the label.
    label = f"{value:g}" if type(value) in {int, float} else value
    return one_of(*FRAME_RATES)(problems, label, path)


def _reference_from(problems: Problems, value: object, path: str) -> Any:
    if value == "ask":
        return problems.wrong(
            path, "somebody has to say who is right", "Write the code of a stem, or majority."
        )
    if isinstance(value, str) and value.startswith("tone:"):
        what = "a tone file is named as a stem here"
        hint = "Add it to the stems with role tuning-reference, and write its code."
        return problems.wrong(path, what, hint)
    return value if value == "majority" else code(problems, value, path)


_REFERENCE = {
    "from": ("reference_from", _reference_from),
    "a4_hz": ("a4_hz", number(" Hz", *A4_RANGE_HZ)),
}
_REFERENCE_EXAMPLE = "{from: PNO}, {from: majority} or {a4_hz: 441.0}"


def _pitch_reference(problems: Problems, value: object, path: str) -> Any:
    got = fields(_REFERENCE, example=_REFERENCE_EXAMPLE)(problems, value, path)
    if got == {} and isinstance(value, Mapping) and not any(value.get(k) for k in _REFERENCE):
        return problems.wrong(path, "nothing is named here", f"Write {_REFERENCE_EXAMPLE}.")
    return got


def _consent(problems: Problems, value: object, path: str) -> Any:
    if isinstance(value, str):
        words = text(problems, value, path)
        return WRONG if words is WRONG else (("all", words),)
    if not isinstance(value, Mapping):
        what = f"this should be words, not {shown(value)}"
        hint = 'For example "yes, all of us", or {LV: "yes, keep the scoops"}.'
        return problems.wrong(path, what, hint)
    got = [(key, text(problems, item, f"{path}.{key}")) for key, item in value.items()]
    return WRONG if any(words is WRONG for _, words in got) else tuple(got)


_REVIEW = {
    "offenders": ("offenders_wanted", number(" offenders", 1, 1000, whole=True)),
    "excerpt_seconds": ("excerpt_seconds", number(" s", 0.5, 60.0)),
    "tone_level_db": ("tone_level_db", number(" dB", -60.0, 0.0)),
    "page_size_mb": ("page_size_mb", number(" MB", 1.0, 1000.0)),
    "rough_mix": ("rough_mix", text),
}


def _stems(problems: Problems, value: object, path: str) -> Any:
    example = "[{code: PNO, file: piano.wav, role: tuning-reference}]"
    stems = list_of(stem_fields.stem, example=example)(problems, value, path)
    if stems == ():
        return problems.wrong(path, "there is not one stem", f"For example {example}.")
    return stems


_TOP = {
    "version": ("version", _version),
    "song": ("song", text),
    "artist": ("artist", text),
    "song_code": ("song_code", code),
    "audio_folder": ("audio_folder", text),
    "out_folder": ("out_folder", text),
    "rate": ("rate", number(" Hz", *SAMPLE_RATES_HZ, whole=True)),
    "start_sample": ("start_smp", stem_fields.sample),
    "start_timecode": ("start_timecode", text),
    "frame_rate": ("frame_rate", _frame_rate),
    "drop_frame": ("drop_frame", yes_or_no),
    "tempo_map": ("tempo", music.tempo_map),
    "bar_one_at": ("bar_one_at_s", number(" s", -MAX_SECONDS, MAX_SECONDS)),
    "key": ("keys", music.keys),
    "chords": ("chords_named", music.chords),
    "pitch_reference": ("pitch_reference", _pitch_reference),
    "temperament": ("temperament", music.temperament),
    "octave_stretch": ("octave_stretch", number("", 0.0, 1.0)),
    "whole_song_offset_cents": ("whole_song_offset_cents", number(" cents", -1200.0, 1200.0)),
    "judging": ("judging", text),
    "edit_minutes": ("edit_minutes", number(" minutes", 0.0, 10000.0, above=True)),
    "seconds_per_edit": ("seconds_per_edit", number(" s", 0.0, 3600.0, above=True)),
    "touch_at_most": ("touch_at_most", number(" of all notes", 0.0, 1.0, above=True)),
    "consent": ("consent", _consent),
    "sections": ("sections", music.sections),
    "lyrics": ("lyrics", music.lyrics),
    "review": ("review", fields(_REVIEW, example="{offenders: 12}")),
    "stems": ("stems", _stems),
}  # fmt: skip
_session = fields(
    _TOP, required=("pitch_reference", "stems"),
    example="song: NAME, pitch_reference: {from: PNO}, stems: [{code: PNO, file: piano.wav, "
    "role: tuning-reference}]",
)  # fmt: skip


# ---------------------------------------------------------------- fields that must fit together


def _check_reference(problems: Problems, session: Session) -> None:
    named = session.reference_from
    if named is None or named == "majority":
        return
    codes = {spec.code: spec for spec in session.stems}
    path = "pitch_reference.from"
    if named not in codes:
        hint = f"{nearest(named, codes)}Stems: {', '.join(codes)}; or write majority."
        problems.wrong(path, f"there is no stem {named!r}", hint)
    elif codes[named].role == "exclude":
        problems.wrong(path, f"stem {named} is excluded, so nothing can be judged by it")


def _check_followers(problems: Problems, session: Session) -> None:
    """Whoever follows the keys of the pitch reference needs one that has keys."""
    roles = {spec.code: spec.role for spec in session.stems}
    named = session.reference_from
    for index, spec in enumerate(session.stems):
        path = f"stems[{index}].follow_keys"
        if not spec.follow_keys:
            continue
        if spec.role in FIXED_ROLES:
            what = f"stem {spec.code} has the role {spec.role}, which follows nobody"
            hint = "Write it for the parts that double the reference."
            problems.wrong(path, what, hint)
        elif named not in roles or roles[named] not in FIXED_ROLES:
            problems.wrong(
                path, "no stem with keys is the pitch reference, so there are none to follow",
                "Name a piano, organ or mallet stem under pitch_reference: from, with the role "
                "tuning-reference or fixed-pitch.",
            )  # fmt: skip


def _check_several_notes(problems: Problems, session: Session) -> None:
    """Guitars in chords have a role of their own, and basses and drums are heard as lines."""
    for index, spec in enumerate(session.stems):
        if not spec.several_notes or spec.role in CHORD_ROLES | HARMONIC_ROLES:
            continue
        problems.wrong(
            f"stems[{index}].several_notes",
            f"stem {spec.code} has the role {spec.role}, of which one note is heard at a time",
            "For a guitar that plays chords write the role fretted-chords.",
        )


def _check_consent(problems: Problems, session: Session) -> None:
    codes = [spec.code for spec in session.stems]
    for who, _ in session.consent:
        if who != "all" and who not in codes:
            hint = f"{nearest(who, codes)}Stems: {', '.join(codes)}; or write all."
            problems.wrong(f"consent.{who}", f"there is no stem {who!r}", hint)


def _check_clock(problems: Problems, session: Session) -> None:
    if session.frame_rate is None:
        if session.start_timecode is not None or session.drop_frame:
            problems.wrong(
                "start_timecode" if session.start_timecode is not None else "drop_frame",
                "timecode needs a frame_rate",
                f"Write one of {', '.join(FRAME_RATES)}.",
            )
        return
    try:
        start = session.start_timecode or "00:00:00:00"
        parse_timecode(start, session.frame_rate, drop_frame=session.drop_frame)
    except ValueError as error:
        problems.wrong("start_timecode" if session.start_timecode else "drop_frame", str(error))


def _check_bars(problems: Problems, session: Session) -> None:
    """Where bars are named, there has to be a way to find them."""
    if session.tempo_marks or session.tempo_file is not None:
        return
    for index, spec in enumerate(session.stems):
        for at, span in enumerate(spec.do_not_touch):
            if span.from_bar is not None:
                what = "bars cannot be found without a tempo_map, so they could not be protected"
                hint = "Give a tempo_map, or write from_s and to_s."
                problems.wrong(f"stems[{index}].do_not_touch[{at}]", what, hint)
    if session.sections:
        what = "sections: bars cannot be found without a tempo_map, so sections have no effect"
        problems.notice(what, "Give a tempo_map.", warn=True)
    if any(mark.bar > 1 for mark in session.keys):
        what = "key: bars cannot be found without a tempo_map, so a change of key has no effect"
        problems.notice(what, "Give a tempo_map.", warn=True)


def _check_folders(problems: Problems, session: Session) -> None:
    audio = posixpath.normpath(session.audio_folder.replace("\\", "/"))
    if session.out_folder is None or audio == ".":
        return
    out = posixpath.normpath(session.out_folder.replace("\\", "/"))
    if out == audio or out.startswith(audio + "/"):
        what = f"this lies inside the audio folder ({session.audio_folder})"
        hint = "Nothing is ever written there; choose a folder beside it."
        problems.wrong("out_folder", what, hint)
