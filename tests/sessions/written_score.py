"""Scores of random sessions as a copyist might hand them in: not quite what was played.

Every note is known from the truth. The copy stands on its own clock (another tempo, a breath here
and there), leaves some notes out and has some that nobody played, and the bass is written an octave
up, as usual (common practice, no source).
"""

from pathlib import Path

import numpy as np
import pretty_midi
import yaml

from planner.pitch import hz_to_midi
from tests.sessions.random_session import TrueNote, Truth

JITTER_S = 0.025  # played against written; chosen: ensembles spread by 10 to 50 ms
MISSING_SHARE = 0.04
EXTRA_SHARE = 0.04
_EXTRA_STEPS = (12, 19, 7, 4, -12, 2)  # from a note that is there
WRITTEN_UP = {"BAS": 12}


def true_midi(note: TrueNote, a4_hz: float) -> int:
    """The note that was meant; errors of the random sessions stay below 50 cents."""
    return round(hz_to_midi(note.sustain_hz or note.onset_hz, a4_hz))


def write_scores(
    truth: Truth,
    *,
    transpose: int = 0,
    earlier_s: float = 0.0,
    pace: float = 1.0,
    missing: float = MISSING_SHARE,
    extra: float = EXTRA_SHARE,
) -> Path:
    """Write ``score.mid`` beside the session file, one track a stem, and name it in the session.

    transpose: semitones that the score is written above the sound; earlier_s: by how much the
    score leaves out of the beginning; pace: seconds of the score to a second of the playing.
    """
    rng = np.random.default_rng([truth.seed, 99])
    midi = pretty_midi.PrettyMIDI(resolution=960, initial_tempo=120.0)
    for stem in truth.stems:
        if not stem.notes:
            continue
        track = pretty_midi.Instrument(program=0, name=stem.code)
        up = transpose + WRITTEN_UP.get(stem.code, 0)
        here = {(round(n.start_s, 1), true_midi(n, truth.a4_hz)) for n in stem.notes}
        for n in stem.notes:
            pitch = true_midi(n, truth.a4_hz)
            if rng.random() < missing:
                continue
            written = [pitch]
            more = pitch + int(rng.choice(_EXTRA_STEPS))
            if rng.random() < extra and (round(n.start_s, 1), more) not in here:
                written.append(more)
            start_s = (n.start_s + float(rng.normal(0.0, JITTER_S)) - earlier_s) * pace
            if start_s < 0:
                continue
            for one in written:
                end_s = start_s + max(0.05, 0.9 * pace * (n.end_s - n.start_s))
                track.notes.append(pretty_midi.Note(80, one + up, start_s, end_s))
        midi.instruments.append(track)
    path = truth.session_file.parent / "score.mid"
    midi.write(str(path))
    session = yaml.safe_load(truth.session_file.read_text(encoding="utf-8"))
    for stem in session["stems"]:
        if any(s.code == stem["code"] and s.notes for s in truth.stems):
            stem["score"] = {"file": path.name, "track": stem["code"]}
    truth.session_file.write_text(yaml.safe_dump(session, sort_keys=False), encoding="utf-8")
    return path
