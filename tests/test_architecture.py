"""The layout shows the architecture: who may import whom, who opens files, who prints."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "planner"

# Lowest first; a room imports only from layers below its own, or from its own layer.
LAYERS: tuple[frozenset[str], ...] = tuple(
    frozenset(line.split())
    for line in (
        "errors pitch record_sum readings",
        "timecode temperament model chord_symbols",
        "session_model bands spread frame_blocks transforms",
        "plan_model",
        "timeline roles wording tolerances session_values common_periods string_band",
        "mains_hum",
        "midline",
        "octave_starts",
        "own_partials partial_series pitch_search",
        "harmonics tracker vibrato spectra guess session_music session_stems chord_partials",
        "contour chord_peaks chord_fits first_session",
        "session scale_file lyrics dips attacks note_span note_ends arrival chord_bars",
        "pitch_levels",
        "struck_again chord_octaves unisons bleed_paths chord_timbre pooled_strings chord_bands",
        "chord_twins",
        "chord_search chord_weighing leaks_out",
        "bow_turns",
        "pitch_steps stiffness onset even_line note_line restarts struck_pitch own_rise",
        "last_partials",
        "is_note sounds_on note_starts begun_again sustain heard chord_known chord_times",
        "segmenter analyzer strummed_octaves bleed inspection_one_source heard_stem",
        "note_chain score_match",
        "single_line chord_voices",
        "a4_fit chord_walk",
        "majority",
        "chord_readings",
        "chords",
        "a4 keys targets inspection_tuning inspection_roles",
        "inspection_notes inspection inspection_places score_use",
        "scored_chords",
        "scope_rule strings",
        "chord_strings kept string_sag",
        "tuning_breaks band_share",
        "part_scope string_scope pitch_scope short_scope span_scope warming",
        "register_scope",
        "clashes scopes",
        "named_chords typed_keys",
        "held_chords song_notes",
        "strange_notes",
        "expression repeats protection exposure moves cases open_strings",
        "which_was_meant sour_time clash_words case_words pushed_pitch",
        "move_lines taking_back",
        "priced",
        "stop_line",
        "fewest_moves ledger answers moved_files",
        "thinning",
        "file_delay rulings note_ids row_ids",
        "spelling locks questions said_bars known_words null_test note_pairs check",
        "edited_notes",
        "ruled_rules",
        "ruled ruled_rows parted_rules voicings tuner",
        "note_edits row_places",
        "fits inside_tolerance takes",
        "ground",
        "rules parts ranking",
        "decided setup_advice",
        "wishes",
        "clearing",
        "planrows retakes rule_rows",
        "retargeting movement sour_check",
        "note_decisions",
        "settling",
        "severities",
        "deciding",
        "standing_still few_touched",
        "stays_sour",
        "advising",
        "planning",
        "editlist tally relief loudness_pitch suggestions",
        "along_song",
        "asking",
        "markdown note_curves guide_conductor changes reply_words page_export",
        "guide_curves",
        "replies answer_reading",
        "told_back",
        "page_lines page_strip",
        "page_plot",
        "page_sound page_parts provenance",
        "guide in_short",
        "summary_tables",
        "summary",
        "offenders_text",
        "hand_off page check_words",
        "files",
        "demo hearing opening writing nulling",
        "starting recalling answering listening",
        "run",
        "checking",
        "cli",
        "__main__ __init__",
    )
)
LEVEL = {room: level for level, rooms in enumerate(LAYERS) for room in rooms}
MODULES = sorted(
    path
    for path in PACKAGE.rglob("*.py")
    if path.name != "__init__.py" or path.parent.name in ("planner", "files", "demo")
)


# One room each, whatever they hold; in the other packages every module is a room of its own.
WHOLE = {"files", "demo"}


def room_of(path: Path) -> str:
    first, *rest = path.relative_to(PACKAGE).with_suffix("").parts
    return rest[-1] if rest and first not in WHOLE else first


def imported_rooms(path: Path) -> set[str]:
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("planner"):
            named = set((node.module or "").split(".")) & LEVEL.keys()
            rooms |= named or {alias.name for alias in node.names} & LEVEL.keys()
    return rooms


def calls(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            f = node.func
            found.add(f.id if isinstance(f, ast.Name) else getattr(f, "attr", ""))
    return found


def test_every_room_has_a_place() -> None:
    """No module lies outside the layers."""
    assert {room_of(path) for path in MODULES} - LEVEL.keys() == set()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_downward(path: Path) -> None:
    """A room imports only from its own layer or below: data flows one way."""
    mine = LEVEL[room_of(path)]
    above = {room for room in imported_rooms(path) if LEVEL[room] > mine}
    assert above == set()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_the_edges_touch_files(path: Path) -> None:
    """Only files/, the demo, the run and the command line open or write anything."""
    if room_of(path) in {"files", "demo", "opening", "writing", "run", "starting", "cli"}:
        return
    assert calls(path) & {"open", "write_text", "write_bytes", "read_text", "read_bytes"} == set()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_stay_readable(path: Path) -> None:
    """No module grows past what one reads in one sitting."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 480


def test_no_drawers() -> None:
    """No room is named for having no idea of its own."""
    assert {p.stem for p in MODULES} & {"utils", "helpers", "common", "misc"} == set()


def test_help_is_quick() -> None:
    """`planner --help` imports no numbers, audio or MIDI library."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "planner", "--help"],
        capture_output=True,
        text=True,
        check=True,
        cwd=PACKAGE.parent,
    )
    loaded = {line.rpartition("|")[2].strip() for line in done.stderr.splitlines()}
    assert "usage: planner" in done.stdout
    assert (
        loaded & {"numpy", "scipy", "librosa", "soundfile", "pretty_midi", "mido", "yaml"} == set()
    )
