"""Writes a first session file for a folder of stems; whatever was guessed is marked so in it."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from planner.read.guess import StemGuess, name_parts
from planner.words.roles import ROLE_FACTS
from planner.words.wording import count

_DIRECT = frozenset({"di", "direct", "dry"})
_AMPED = frozenset({"amp", "amped", "cab", "cabinet", "mic", "mike", "miked"})
_LEADS, _DOUBLES = frozenset({"lead"}), frozenset({"double", "doubled", "dbl", "dub"})


# Names of folders that say what lies in them and not which song: common practice, no source.
_SAY_NO_SONG = frozenset(
    {
        "audio", "stem", "stems", "wav", "wavs", "file", "files", "track", "tracks", "multitrack",
        "multitracks", "bounce", "bounces", "consolidated", "export", "exports", "raw",
    }
)  # fmt: skip


def song_of(folders: Sequence[str]) -> str:
    """Name the song after the nearest folder whose name says something; outermost folder first."""
    telling = (name for name in reversed(folders) if name.lower() not in _SAY_NO_SONG)
    return next((name for name in telling if name.strip("/\\ ")), folders[-1])


def started_session_text(
    song: str, guesses: Iterable[StemGuess], *, audio_folder: str = ".", midi: Sequence[str] = ()
) -> str:
    """Write a first session file for a folder of stems, every guess in it marked ``# guess``.

    song: the song's name, as guessed.
    guesses: one for each file, in the order in which they are to stand.
    audio_folder: where the files are, seen from the session file.
    midi: the MIDI files beside them, one of which may be the tempo map.

    Raises ValueError if there is not one file whose name can be written down.
    """
    by_file = {guess.file: guess for guess in guesses}
    stems = [guess for name, guess in by_file.items() if _is_text(name)]
    if not stems:
        raise ValueError("a session file needs at least one stem whose name is readable text")
    linked = _linked_pairs(stems)
    amps = set(linked.values())
    stems = _with_unique_codes([guess for guess in stems if guess.file not in amps])
    leads = [guess.code for guess in stems if guess.role == "lead-voice"]
    lines = [
        "# A first session file. Whatever is marked '# guess' was guessed: go over it, put it",
        "# right, and take the mark away. Text after a '#' is not read.",
        "version: 1",
        f"song: {_quoted(_one_line(song))}  # guess",
    ]
    if audio_folder != ".":
        lines.append(f"audio_folder: {_quoted(audio_folder)}")
    lines += [
        "",
        "# What everyone is judged against: the code of a stem, or majority. If you know where A4",
        "# stood, write it as well; what you write wins:  {from: PNO, a4_hz: 441.0}",
        f"pitch_reference: {{from: {_reference(stems)}}}  # guess",
        "",
        "# Where bars begin: a MIDI file with the tempo map, or a list. Without one, places are",
        "# given in seconds only.",
        *(
            f"# tempo_map: {_quoted(name)}  # guess: seen beside the stems; if it is, take the "
            "first # away"
            for name in midi
            if _is_text(name)
        ),
        *(() if midi else ("# tempo_map: tempo.mid",)),
        "# tempo_map: [{bar: 1, bpm: 92, meter: 4/4}]",
        "# key: [{bar: 1, tonic: D, mode: major}]",
        "",
        "# Roles: " + ", ".join(list(ROLE_FACTS)[:6]) + ",",
        "#   " + ", ".join(list(ROLE_FACTS)[6:12]) + ",",
        "#   " + ", ".join(list(ROLE_FACTS)[12:]),
        "stems:",
    ]
    for guess in stems:
        lines += _stem_lines(guess, linked.get(guess.file), leads)
    unwritable = len(by_file) - len([name for name in by_file if _is_text(name)])
    if unwritable:
        its = "its name is" if unwritable == 1 else "their names are"
        lines.append(
            f"# {count(unwritable, 'file')} left out: {its} no readable text; rename first."
        )
    return "\n".join(lines) + "\n"


def _stem_lines(guess: StemGuess, amp: str | None, leads: Sequence[str]) -> list[str]:
    unknown = "" if guess.role else "; left out until you say"
    lines = [
        f"  - code: {guess.code}",
        f"    file: {_quoted(guess.file)}",
        f"    role: {guess.role or 'exclude'}  # guess: {guess.because}{unknown}",
    ]
    if amp is not None:
        lines.append(
            f"    linked: [{_quoted(amp)}]  # guess: the same part through an amplifier; "
            "both move together"
        )
    if guess.role in {"voice-double", "voice-harmony"} and len(leads) == 1:
        lines.append(f"    sung_with: {leads[0]}  # guess")
    if guess.several_notes:
        lines.append("    several_notes: true  # guess: stacked voices, moved as a whole at most")
    return lines


def _reference(stems: Sequence[StemGuess]) -> str:
    for role in ("tuning-reference", "fixed-pitch"):
        for guess in stems:
            if guess.role == role:
                return guess.code
    return "majority"


def _linked_pairs(stems: Sequence[StemGuess]) -> dict[str, str]:
    """Pair each direct signal with the amplified one of the same name: direct file to amp file."""
    amps: dict[tuple[str, ...], list[str]] = {}
    for guess in stems:
        tokens = name_parts(guess.file)
        if _AMPED & frozenset(tokens):
            amps.setdefault(tuple(t for t in tokens if t not in _AMPED), []).append(guess.file)
    pairs = {}
    for guess in stems:
        tokens = name_parts(guess.file)
        if _DIRECT & frozenset(tokens) and not _AMPED & frozenset(tokens):
            same = amps.get(tuple(t for t in tokens if t not in _DIRECT), [])
            if same:
                pairs[guess.file] = same.pop(0)
    return pairs


def _with_unique_codes(stems: Sequence[StemGuess]) -> list[StemGuess]:
    """Number codes that are proposed more than once: a lead's stays bare, a double's comes last."""
    taken: set[str] = set()
    proposed = {guess.code for guess in stems}
    code_of = {}
    for guess in sorted(stems, key=_lead_first):
        code, count = guess.code, 1
        while code in taken or (count > 1 and code in proposed):
            count += 1
            # A number at the end goes, so that the second BV2 is BV3 and not BV22.
            code = f"{guess.code.rstrip('0123456789') or 'P'}{count}"
        taken.add(code)
        code_of[guess.file] = code
    return [replace(guess, code=code_of[guess.file]) for guess in stems]


def _lead_first(guess: StemGuess) -> int:
    words = frozenset(name_parts(guess.file))
    return 0 if words & _LEADS else 2 if words & _DOUBLES else 1


def _is_text(name: str) -> bool:
    """Say whether a file name is text; bytes that are none arrive as lone surrogates."""
    return (
        "\0" not in name and bool(name.strip()) and not any("\ud800" <= c <= "\udfff" for c in name)
    )


def _one_line(text: str) -> str:
    shown = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(shown.split()) or "Untitled"


def _quoted(text: str) -> str:
    """Write a double-quoted YAML scalar (YAML 1.2.2, section 7.3.1); only what prints is bare."""
    return '"' + "".join(_escaped(c) for c in text) + '"'


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character.isprintable():
        return character
    point = ord(character)
    return f"\\u{point:04x}" if point <= 0xFFFF else f"\\U{point:08x}"
