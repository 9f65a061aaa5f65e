"""Notes of recorded, pedalled piano: ``python -m tests.bench.pedalled FOLDER``.

``FOLDER`` is what the source package of synctoolbox (MIT) unpacks to: its ``data_music`` holds two
takes of the first eight bars of Chopin's op. 10 no. 3, its ``data_csv`` their 164 notes as written.
Nobody annotated when each was played. So the score is laid beside what was heard with it, by the
planner's own rooms, and a note counts as found where its pitch begins within 0.15 s of its place:
what is found without a score is measured by the same places.
"""

import argparse
import csv
from pathlib import Path

from planner.edges.heard_stem import HeardStem
from planner.edges.hearing import hear_stem
from planner.pitch import hz_to_midi
from planner.score.score_match import ScoreMatch, StemScore, match_score
from planner.words.session_model import StemSpec

PIECE = "Chopin_Op010-03-Measures1-8"
TAKES = ("Igoshina", "Varsi")
_NEAR_S = 0.15


def score_in(path: Path) -> StemScore:
    """The notes as written: start, end and MIDI number."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file, delimiter=";"))
    notes = sorted(
        (float(r["Start"]), float(r["Start"]) + float(r["Duration"]), int(r["Pitch"])) for r in rows
    )
    return StemScore(name=path.name, notes=tuple(notes))


def matched(heard: HeardStem, score: StemScore) -> ScoreMatch | None:
    """Lay the score beside what was heard."""
    starts = [note.start_s for note, _ in heard.notes]
    midi = [hz_to_midi(note.pitch_hz) for note, _ in heard.notes]
    return match_score(starts, midi, score, one_at_a_time=False)


def found(heard: HeardStem, score: StemScore, match: ScoreMatch) -> int:
    """How many of the score's notes begin near their places, each heard note taken once."""
    left = [(note.start_s, hz_to_midi(note.pitch_hz)) for note, _ in heard.notes]
    hits = 0
    for at_s, (_, _, written) in zip(match.placed_s, score.notes, strict=True):
        midi = written + match.transpose + match.offset_semitones
        near = [n for n in left if abs(n[0] - at_s) < _NEAR_S and abs(n[1] - midi) < 0.5]
        if near:
            left.remove(min(near, key=lambda n: abs(n[0] - at_s)))
            hits += 1
    return hits


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.pedalled", description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    score = score_in(folder / "data_csv" / f"{PIECE}_MIDI.csv")
    spec = StemSpec(code="PNO", file="take.wav", role="tuning-reference")
    for take in TAKES:
        path = folder / "data_music" / f"{PIECE}_{take}.wav"
        led = hear_stem(spec, path, path.name, score)
        match = matched(led, score)
        if match is None:
            print(f"{take}: the score does not fit")
            continue
        for how, heard in (("with", led), ("without", hear_stem(spec, path, path.name))):
            hits = found(heard, score, match)
            firm = sum(m.confidence == "firm" for _, m in heard.notes)
            print(
                f"{take}, {how} score: {hits} of {len(score.notes)} notes found "
                f"({100 * hits / len(score.notes):.0f} %), "
                f"precision {hits / max(len(heard.notes), 1):.2f}, {firm} firm"
            )


if __name__ == "__main__":
    main()
