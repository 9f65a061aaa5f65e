"""The table of strings and frets: counts, mean errors, and how many notes were told."""

from dataclasses import replace

from deciding import note, plan, session, stem
from guitars import ACOUSTIC_B, GUITAR

from planner.summary import summary_markdown
from planner.words.plan_model import Plan
from planner.write.summary_tables import string_grids


def guitar_plan(strings: tuple[int, ...] = GUITAR, role: str = "fretted") -> Plan:
    """Each place of the measured guitar once, the A string 9 flat; and one note without a B."""
    notes = []
    for string, row in ACOUSTIC_B.items():
        for fret, b in enumerate(row):
            notes.append(
                note(
                    f"X-{len(notes) + 1:04d}", string + fret, -9.0 if string == 45 else 0.0,
                    start_s=0.9 * len(notes), length_s=0.8, inharmonicity_b=b,
                    inharmonicity_b_uncertainty=0.01 * b,
                )
            )  # fmt: skip
    notes.append(note("X-0100", 60, 0.0, start_s=100.0))
    part = stem("X", role, notes)  # type: ignore[arg-type]
    specs = tuple(replace(s, strings=strings) for s in session(part).stems)
    return plan(part, stems=specs)


def test_grid_counts_and_means() -> None:
    """Highest string first, a column a fret, counts with mean errors as recorded."""
    (grid,) = string_grids(guitar_plan())
    assert grid.head == ("string", *(f"fret {f}" for f in range(13)), "all")
    assert [row[0] for row in grid.rows] == ["E4", "B3", "G3", "D3", "A2", "E2"]
    assert grid.rows[4][1:3] == ("1: 9 flat", "1: 9 flat")
    assert grid.rows[4][-1] == "13: 9 flat"
    assert grid.rows[0][-1] == "13: in tune"


def test_how_many_were_told_is_said() -> None:
    """Told, not told apart and nothing to tell by add up to all notes."""
    (grid,) = string_grids(guitar_plan())
    assert grid.sentence == (
        "String and fret are known for 78 of 79 notes (78 surely); 1 with nothing to tell by."
    )


def test_one_string_alone_has_no_table() -> None:
    """Where notes were told on one string, or on none, nothing can be laid side by side."""
    whole = guitar_plan()
    for kept, said in (
        ({45}, "String and fret are known for 13 of 79 notes (13 surely); 66 with nothing to tell "
               "by. "
               "All are on the A2 string: there is no other to compare it with."),
        (set(), "String and fret are known for none of 79 notes; 79 with nothing to tell by."),
    ):  # fmt: skip
        judged = tuple(
            j if j.string_midi in kept else
            replace(j, string_midi=None, fret=None, string_confidence="")
            for j in whole.judged
        )  # fmt: skip
        (grid,) = string_grids(replace(whole, judged=judged))
        assert (grid.rows, grid.sentence) == ((), said)
        assert f"X: {said}" in summary_markdown(replace(whole, judged=judged))


def test_assumed_tuning_is_said() -> None:
    """Without typed strings the tuning that was assumed stands there."""
    (grid,) = string_grids(guitar_plan(()))
    assert grid.sentence.endswith(
        "Its strings are not in the session file: E2 A2 D3 G3 B3 E4 is assumed."
    )


def test_only_fretted_parts_have_one() -> None:
    """Chords and other instruments get no table, and the summary no heading for it."""
    other = guitar_plan(role="bowed")
    assert string_grids(other) == ()
    assert "## String by string" not in summary_markdown(other)


def test_summary_shows_the_grid_and_the_rule() -> None:
    """The table, the rule's sentence and what may lie behind it stand in the summary."""
    text = summary_markdown(guitar_plan())
    assert "## String by string" in text
    assert "| A2 | 1: 9 flat |" in text
    assert "the A string is 9 flat, frets 0 to 12: one move for all its notes" in text
    assert "the A2 string off: tuned so, or it slipped" in text
