"""Sessions in which two roles were exchanged: ``python -m tests.sessions.exchanged --seeds 1-2``.

Builds random sessions, exchanges the roles of two stems in the session file, hears these stems in
the wrong role, and says whether the pair is asked about; and hears all in the right role, where
nobody may be.
"""

import argparse
import tempfile
from pathlib import Path

from planner.edges.hearing import hear_stem
from planner.inspect.inspection_roles import exchanged_roles
from planner.model import MeasuredNote, Role, StemNotes
from planner.words.session_model import StemSpec
from tests.sessions.random_session import make_session

# Stem codes of the sessions, and what their roles are taken for; the voice and the bass stand for a
# voice and a double bass.
PAIRS: tuple[tuple[tuple[str, Role], tuple[str, Role]], ...] = (
    (("BAS", "bowed"), ("CEL", "bass-fretted")),
    (("BAS", "lead-voice"), ("LV", "bass-fretless")),
    (("BAS", "fretted"), ("GTR", "bass-fretted")),
    (("LV", "bowed"), ("CEL", "lead-voice")),
)
RIGHT: tuple[tuple[str, Role], ...] = (
    ("BAS", "bass-fretted"), ("GTR", "fretted"), ("LV", "lead-voice"), ("CEL", "bowed"),
)  # fmt: skip


def heard_as(folder: Path, seed: int, code: str, role: Role) -> StemNotes:
    """Hear one stem of a session in a role."""
    file = f"{code.lower()}_{seed}.wav"
    heard = hear_stem(
        StemSpec(code=code, file=file, role=role), folder / "audio" / file, file, None
    )
    notes = tuple(
        MeasuredNote(id=f"{code}-{k:04d}", note=note, measurement=measurement)
        for k, (note, measurement) in enumerate(heard.notes, start=1)
    )
    return StemNotes(code=code, role=role, facts=heard.facts, notes=notes)


def main() -> None:
    """Print what is asked of each pair, and of the session as it is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-2")
    args = parser.parse_args()
    first, _, last = args.seeds.partition("-")
    right = wrong = pairs = 0
    for seed in range(int(first), int(last or first) + 1):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            make_session(seed, folder)
            for pair in PAIRS:
                found = exchanged_roles([heard_as(folder, seed, *one) for one in pair])
                pairs, right = pairs + 1, right + bool(found)
                told = found[0].what if found else "nothing"
                print(f"seed {seed}, {pair[0][0]} and {pair[1][0]}: {told}", flush=True)
            found = exchanged_roles([heard_as(folder, seed, *one) for one in RIGHT])
            wrong += bool(found)
            print(f"seed {seed}, as it is: {found[0].what if found else 'nothing'}", flush=True)
    print(
        f"{right} of {pairs} exchanged pairs asked about; {wrong} sessions asked about as they are"
    )


if __name__ == "__main__":
    main()
