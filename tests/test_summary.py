"""The plan in words: the summary, the producer's list, and the record of the run."""

import json
import re
from dataclasses import replace
from typing import Any

import pytest
from invented_plan import FACTS, RULE, judged, plan, row

from planner.a4 import find_session_a4
from planner.model import Finding, KeyReading, Measurement, SessionA4
from planner.summary import summary_markdown
from planner.words.plan_model import Since, StemSummary
from planner.words.session_model import ProtectedSpan
from planner.words.wording import flat_or_sharp, minutes, percent, place, raise_or_lower
from planner.write.in_short import reference_in_short, reference_sentences
from planner.write.offenders_text import offenders_markdown
from planner.write.provenance import run_record
from planner.write.suggestions import suggestions
from planner.write.tally import (
    coverage,
    last_against_first,
    left_on_purpose,
    not_measured,
    pitch_biases,
)


def a4(**changes: Any) -> SessionA4:
    return replace(plan().a4, **changes)


def test_reference_is_said_with_uncertainty_and_agreement() -> None:
    """Session A4, how far from 440, how sure, and that the typed value agrees."""
    said = reference_sentences(plan())
    # 1200 log2(441 / 440) = 3.930 cents (Ellis's definition).
    assert said[0] == (
        "Session A4 stands at 441.0 Hz, 3.9 sharp of 440 Hz (from: stem PNO, 62 notes)."
    )
    assert said[1] == "Measured: 441.05 Hz, give or take 0.3 cents."
    assert "agrees, 0.2 cents apart" in said[2]


def test_disagreement_with_the_typed_a4_is_shouted() -> None:
    """A typed value more than 3 cents from the measured one is told in capitals."""
    # 1200 log2(443 / 441) = 7.83 cents.
    said = reference_sentences(plan(a4=a4(measured_hz=443.0)))
    assert "WHAT WAS MEASURED DISAGREES: it is 7.8 sharp of that" in said[2]


def test_a_named_reference_that_cannot_be_used_is_told_where_a4_is() -> None:
    """On the command line too, from what A4 itself finds; of a usable one nothing more is said."""
    session = replace(plan().session, a4_hz=None)
    silent = find_session_a4(session, ())
    said = reference_in_short(plan(session=session, a4=silent))
    assert said[0].startswith("Session A4 stands at 440.0 Hz")
    assert said[1] == (
        "Stem PNO was named as the pitch reference, but it was not measured. A typed A4 or the "
        "other stems were asked instead."
    )
    assert len(reference_in_short(plan())) == 1


def test_edge_of_agreement_counts_as_agreement() -> None:
    """Exactly 3.0 cents apart still agrees; 3.1 does not."""
    for gap, agrees in ((3.0, True), (3.1, False)):
        said = reference_sentences(plan(a4=a4(measured_hz=441.0 * 2 ** (gap / 1200))))
        assert ("agrees" in said[2].replace("DISAGREES", "")) is agrees


def test_reference_that_was_only_typed_or_assumed_is_said_so() -> None:
    """Nothing measured is said as such, and an assumed 440 asks for confirmation."""
    typed = reference_sentences(plan(a4=SessionA4(a4_hz=441.0, found_from="typed")))
    assert "nothing was measured to hold against it" in typed[1]
    session = replace(plan().session, a4_hz=None, reference_from=None)
    assumed = plan(session=session, a4=SessionA4(a4_hz=440.0, found_from="assumed"))
    assert "which is 440 Hz" in reference_sentences(assumed)[0]
    assert "please confirm" in summary_markdown(assumed)


def test_unknown_uncertainty_is_said_and_not_nought() -> None:
    """Where the uncertainty could not be had, the sentence says so."""
    said = reference_sentences(plan(a4=a4(uncertainty_cents=None)))
    assert said[1] == "Measured: 441.05 Hz; how sure that is could not be said."


def test_summary_holds_every_part() -> None:
    """Sign rule, stems, pitches, left, coverage, missing, findings, assumptions and cautions."""
    unruled = tuple(replace(note, layers=()) for note in plan().judged)
    text = summary_markdown(plan(judged=unruled))
    for said in (
        "plus is sharp",
        "| BAS | bass-fretted | 4 | 4 | 100 % | 8.5 flat, give or take 0.6 | 1.1 |",
        "| BAS | A1 | 33 | 4 | 8.5 flat, give or take 0.6 | 100 % |",
        "BAS: tuned to 440, or old strings", "| 4 | within 1 to 4 cents | in tune | BAS |",
        "5 of 6 notes measured (83 %, by time 83 %).", "| 1 | 41 % pitched; no number | LV |",
        "Left out, so nothing is said about: CEL.", "Not listened to, by their role: DRM.",
        "warning (LV at 3.00 s): The right side is silent. The left was used.",
        "No tempo map", "Consent: LV: yes, keep scoops.", "start low", "opened for reading only",
        "If it sounds right, it is right.", "Set the guide instrument to A = 441.0 Hz.",
        "Sour seconds: 41 as recorded, 7 if every edit is made.",
    ):  # fmt: skip
        assert said in text


def test_exposure_figures_are_those_of_niosh() -> None:
    """Eight hours at 85 dBA, halved every 3 dB (NIOSH 98-126, 1998): 1 h at 94, 15 min at 100."""
    assert 480 / 2 ** ((94 - 85) / 3) == 60
    assert 480 / 2 ** ((100 - 85) / 3) == 15
    text = summary_markdown(plan())
    assert "At 85 dBA eight hours" in text
    assert "at 94 dBA one hour, at 100 dBA 15 minutes" in text


def test_sentences_carry_no_bare_sign() -> None:
    """Neither summary nor list says a signed number."""
    for text in (summary_markdown(plan()), offenders_markdown(plan())):
        assert not re.search(r"(?<![\w-])[-+−]\d", text)


def test_markup_in_names_is_tamed() -> None:
    """A song name with table bars, line breaks or HTML neither breaks a table nor runs."""
    session = replace(plan().session, song="a|b\n<script># *c*")
    head = summary_markdown(plan(session=session)).splitlines()[0]
    assert head == r"# Tuning summary: a\|b &lt;script># \*c\*"


def test_findings_stand_most_pressing_first_and_once() -> None:
    """A finding told twice is written once; what stops a run stands before a note."""
    note = Finding(severity="note", what="Dual mono.")
    stop = Finding(severity="stop", what="No sound.", file="a.wav")
    text = summary_markdown(plan(findings=(note, stop, note), a4=a4(findings=(note,))))
    assert text.count("Dual mono.") == 1
    assert text.index("stop (a.wav): No sound.") < text.index("note: Dual mono.")


def test_protected_spans_are_told() -> None:
    """Who said that a span is not to be touched, and why, stands in the summary."""
    lead = plan().session.stems[2]
    span = ProtectedSpan(from_bar=41, to_bar=42, why="spoken-sung", who="producer")
    session = replace(plan().session, stems=(replace(lead, do_not_touch=(span,)),))
    assert "Not to be touched in LV: spoken-sung (producer)." in summary_markdown(
        plan(session=session)
    )


def test_empty_plan_still_makes_a_summary() -> None:
    """A session without notes gives a summary that says so."""
    empty = plan(judged=(), rows=(), offenders=(), stems=(), findings=(), missing=())
    text = summary_markdown(empty)
    assert "No notes were found." in text
    assert "No notes were judged." in summary_markdown(replace(empty, missing=("LV",)))
    assert "Nothing out of the ordinary." in text


def stem(**changes: Any) -> StemSummary:
    plain = StemSummary(
        code="BAS", role="bass-fretted", notes=20, measured=20, measured_time_share=1.0,
        offset_cents=0.0, offset_uncertainty_cents=0.5, spread_cents=3.0,
        onset_minus_sustain_cents=0.0, edits=0,
    )  # fmt: skip
    return replace(plain, **changes)


@pytest.mark.parametrize(
    ("changes", "told", "words"),
    [
        ({"offset_cents": -4.0}, True, "sit 4 flat of the reference throughout; tuning to A"),
        ({"offset_cents": 3.9}, False, ""),
        ({"offset_cents": -6.0, "role": "lead-voice"}, True, "clearer reference in the headphones"),
        ({"offset_cents": -6.0, "role": "tuning-reference"}, False, ""),
        ({"offset_cents": -6.0, "measured": 3}, False, ""),
        ({"offset_cents": -4.0, "spread_cents": 3.3}, False, ""),
        ({"onset_minus_sustain_cents": 8.0}, True, "begin 8 sharp of where they settle"),
        (
            {"offset_cents": 9.0, "onset_minus_sustain_cents": 12.0},
            True,
            "begin 12 sharp of where they settle",
        ),
        ({"onset_minus_sustain_cents": 7.9}, False, ""),
        ({"spread_cents": 20.1}, True, "another take may cost less"),
        ({"spread_cents": 20.0}, False, ""),
    ],
)
def test_suggestions_speak_of_notes(changes: dict[str, Any], told: bool, words: str) -> None:
    """What a player could try is worded about notes, on this side of each limit only."""
    lines = suggestions(plan(stems=(stem(**changes),), judged=(), rows=()))
    assert bool(lines) is told
    assert all(words in line for line in lines)


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ([0.4, -0.4, 1.0, -1.0], "held ones settle in tune, as when tuned on the ring; "),
        ([-3.9] * 4, "held ones settle in tune (3.9 flat), as when tuned on the ring; "),
        ([-4.0] * 4, "held ones settle 4 flat, so it is not the tuning alone; "),
        ([0.0] * 3, "and hardly any is held; "),
    ],
)
def test_a_part_tuned_on_the_ring_is_told_by_its_held_notes(held: list[float], words: str) -> None:
    """Notes begin 14 sharp: what held ones settle at speaks for the tuning or against it."""
    notes = tuple(judged(f"BAS-{i}", 33 + i, sustain_cents=e) for i, e in enumerate(held))
    base = plan(stems=(stem(offset_cents=0.0, onset_minus_sustain_cents=14.0),), judged=notes)
    told = next(line for line in suggestions(base) if "notes begin 14 sharp" in line)
    assert words in told


@pytest.mark.parametrize(
    ("a4_hz", "offset", "words"),
    [
        # 1200 log2(440/441) = -3.93: where a tuner left at 440 puts a part beside this piano.
        (441.0, -4.2, "would settle it (a tuner at A = 440 Hz puts it there)."),
        (441.0, -9.0, "(a tuner at A = 440 Hz puts it 3.9 flat, so it is not that alone)."),
        (440.2, -4.2, "would settle it."),  # 0.8: the reference stands there itself
    ],
)
def test_a_tuner_left_at_440_is_told_apart(a4_hz: float, offset: float, words: str) -> None:
    """The commonest root fault of all, with what speaks for it or against it."""
    base = plan(
        stems=(stem(offset_cents=offset, offset_uncertainty_cents=0.2),), judged=(), rows=()
    )
    (told,) = suggestions(replace(base, a4=replace(base.a4, a4_hz=a4_hz)))
    assert told.endswith(words)


def test_a_part_is_said_to_sit_where_its_rule_says() -> None:
    """One number for one thing: short notes are heard 9.5 sharp, their strings stand 8 sharp."""
    struck = plan(stems=(stem(offset_cents=9.5),), judged=(), rows=(replace(RULE, add_cents=-8.0),))
    assert suggestions(struck)[0].startswith("BAS: the notes sit 8 sharp of the reference")


def test_a_sampled_part_has_no_pitch_to_practise() -> None:
    """Of what nobody played, the advice is to put it right at its source."""
    notes = tuple(judged(f"BAS-{i}", 33, heard_cents=-9.0) for i in range(4))
    assert suggestions(plan(stems=(stem(role="sampled"),), judged=notes, rows=())) == []


def test_two_tunings_of_a_part_are_not_told_as_one() -> None:
    """A part that a rule moves from the middle on does not sit anywhere throughout."""
    base = plan(stems=(stem(offset_cents=-8.0),), judged=(), rows=())
    assert "throughout" in suggestions(base)[0]
    assert suggestions(replace(base, rows=(replace(RULE, scope="span"),))) == []


def test_pitch_of_its_own_is_suggested_beyond_the_parts_offset() -> None:
    """A pitch that only shares the whole part's offset is not told again."""
    notes = tuple(judged(f"BAS-{i}", 33, heard_cents=-9.0) for i in range(4))
    shared = suggestions(plan(stems=(stem(offset_cents=-8.5),), judged=notes))
    alone = suggestions(plan(stems=(stem(),), judged=notes, rows=()))
    assert not [line for line in shared if "A1" in line]
    assert "BAS: A1 comes out 9 flat of its other notes in 4 places" in alone[0]


@pytest.mark.parametrize(
    ("errors", "words"),
    [
        ((0.0, 0.4, -0.4, 0.0), "BAS: A1 comes out 9 sharp of its other notes in 4 places"),
        ((6.5, -4.5, 6.5, -4.5), "10 sharp of its other notes"),  # give or take 3.2
        ((7.0, -5.0, 7.0, -5.0), ""),  # give or take 3.5: more than a third
    ],
)
def test_a_pitch_is_told_against_a_part_that_sits_off(
    errors: tuple[float, ...], words: str
) -> None:
    """Of a part 9 flat, a pitch that is in tune is sharp of the rest; an unsure one is not told."""
    notes = tuple(judged(f"BAS-{i}", 33, heard_cents=e) for i, e in enumerate(errors))
    lines = suggestions(plan(stems=(stem(offset_cents=-9.0),), judged=notes))
    told = [line for line in lines if "A1" in line]
    assert (words in told[0]) if words else not told


def test_coverage_counts_notes_and_time() -> None:
    """Four of five notes of equal length: four fifths, in number and in time."""
    found = coverage(plan(judged=plan().judged[1:]))
    assert (found.notes, found.measured, found.share) == (5, 4, 0.8)
    assert found.time_share == pytest.approx(0.8)
    assert coverage(plan(judged=())).share is None


def test_left_notes_are_counted_by_rule_and_not_for_fixed_parts() -> None:
    """Measured notes that stay are grouped by their rule; those of the reference are no news.

    Nor is a note left that a rule over many notes moves.
    """
    piano = judged("PNO-0001", action="leave", rule_name="reference")
    unruled = tuple(replace(note, layers=()) for note in plan().judged)
    groups = left_on_purpose(plan(judged=(*unruled, piano)))
    assert [(g.rule_name, g.notes, g.stems) for g in groups] == [("in tune", 4, ("BAS",))]
    moved = tuple(replace(note, layers=(("R-001", 8.4),)) for note in unruled)
    assert left_on_purpose(plan(judged=(*moved, piano))) == ()


def test_unmeasured_notes_are_counted_by_cause() -> None:
    """Notes without a reading are grouped by what stood in the way."""
    groups = not_measured(plan())
    assert [(g.reason, g.notes, g.stems) for g in groups] == [
        ("41 % pitched; no number", 1, ("LV",))
    ]


def test_causes_that_differ_in_their_figures_alone_are_one_line() -> None:
    """Three notes that slid by so and so many cents are one cause, from the least to the most.

    The octave in a note's name is no such figure: another note is another cause.
    """
    told = (
        "it slides by 101 cents; over after 0.12 s",
        "it slides by 99 cents; over after 0.12 s",
        "it slides by 204 cents; over after 0.08 s",
        "C#4 rings on",
        "C#5 rings on",
    )
    notes = tuple(
        judged(
            f"LV-{i}",
            heard_cents=None,
            onset_cents=None,
            sustain_cents=None,
            measurement=Measurement(not_measured_because=why),
        )
        for i, why in enumerate(told)
    )
    assert [(g.reason, g.notes) for g in not_measured(plan(judged=notes))] == [
        ("it slides by 99 to 204 cents; over after 0.08 to 0.12 s", 3),
        ("C#4 rings on", 1),
        ("C#5 rings on", 1),
    ]


def test_pitch_bias_is_mean_and_standard_error() -> None:
    """For -8, -9, -7, -10: mean -8.5, s = 1.291, over root 4 = 0.645 (JCGM 100:2008, 4.2.3)."""
    (bias,) = pitch_biases(plan())
    assert (bias.name, bias.notes, bias.mean_cents, bias.same_side) == ("A1", 4, -8.5, 1.0)
    assert bias.uncertainty_cents == pytest.approx(0.6455, abs=1e-4)
    assert pitch_biases(plan(judged=plan().judged[1:])) == ()


def test_words_for_numbers() -> None:
    """Sizes, shares and places are said as a person would."""
    assert flat_or_sharp(-4.31) == "4.3 flat"
    assert flat_or_sharp(12.4) == "12 sharp"
    assert flat_or_sharp(9.96) == "10 sharp"
    assert flat_or_sharp(0.04) == "in tune"
    assert flat_or_sharp(None) == ""
    assert raise_or_lower(-16.0, 2.0) == "lower by 16, give or take 2"
    assert raise_or_lower(4.3) == "raise by 4.3"
    assert raise_or_lower(0.0) == "leave where it is"
    assert raise_or_lower(5.0, 0.01) == "raise by 5, give or take less than 0.1"
    assert [percent(x) for x in (0, 0.001, 0.5, 0.999, 1)] == [
        "0 %",
        "1 %",
        "50 %",
        "99 %",
        "100 %",
    ]
    assert place(33, 3.0, 84.7826) == "bar 33 beat 3.00 (84.78 s)"
    assert place(None, None, 84.7826) == "at 84.78 s"
    assert place(33, None, None) == "bar 33"
    assert place(None, None, None) == "throughout"
    assert [minutes(x) for x in (0, 0.5, 1.2, 19, 4.5, 5.5)] == [
        "no time", "half a minute", "about 1 minute", "about 19 minutes", "about 5 minutes",
        "about 6 minutes",
    ]  # fmt: skip


def test_run_record_names_inputs_and_no_place() -> None:
    """The record has hash, length and rate of each stem, and no absolute path."""
    facts = (("LV", FACTS), ("BAS", replace(FACTS, file="/home/someone/bass.wav")),
             ("AG", replace(FACTS, file="C:\\takes\\ag.wav")))  # fmt: skip
    found = run_record(plan(facts=facts), {"csv_bom": True, "csv_delimiter": ";", "excerpts": 3})
    assert [s["file"] for s in found["stems"]] == ["audio/lead.wav", "bass.wav", "ag.wav"]
    assert found["stems"][0] == {
        "code": "LV", "role": "lead-voice", "file": "audio/lead.wav", "sha256": "ab" * 32,
        "length_smp": 8664000, "length_s": 180.5, "rate": 48000,
    }  # fmt: skip
    assert (found["session_a4_hz"], found["a4_uncertainty_cents"]) == (441.0, 0.3)
    assert found["a4_found_from"] == "stem PNO"
    assert found["settings"] == {"csv_bom": True, "csv_delimiter": ";", "excerpts": 3}
    assert "plus is sharp" in found["sign_rule"]
    assert json.loads(json.dumps(found)) == found


def test_run_record_refuses_nan() -> None:
    """A NaN is a fault that is named."""
    unsure = replace(plan().a4, uncertainty_cents=float("nan"))
    with pytest.raises(ValueError, match="a4_uncertainty_cents is nan"):
        run_record(replace(plan(), a4=unsure), {})


def test_rules_stand_biggest_first() -> None:
    """A rule that moves many notes far stands before one that moves few."""
    small = row(id="R-000", kind="rule", notes_covered=2, add_cents=2.0, reason="small")
    text = summary_markdown(plan(rows=(small, *plan().rows)))
    assert text.index("R-001, BAS") < text.index("R-000, LV")


def test_changes_are_listed_where_there_are_any() -> None:
    """Counts and rows since the last plan; nothing at all where nothing changed."""
    since = Since(name="plan_01", new=("LV-0160 (LV): lower by 9",), gone=(), changed=())
    text = summary_markdown(plan(since=since))
    assert "## Changes\n\nSince plan_01: 1 new, 0 gone, 0 changed by > 4 cents." in text
    assert "New:\n\n- LV-0160 (LV): lower by 9\n" in text
    same = Since(name="plan_01", new=(), gone=(), changed=())
    assert summary_markdown(plan(since=same)) == summary_markdown(plan())


def test_keys_of_the_reference_are_a_table_of_what_matters() -> None:
    """The A's, keys that stand out and strings apart; other keys are only counted."""

    def key(midi: int, **fields: Any) -> KeyReading:
        return KeyReading(
            **{"stem": "PNO", "midi": midi, "notes": 9, "mean_cents": 0.2, "drawn_cents": 0.2,
               "uncertainty_cents": 0.14, "beside_cents": 0.3, **fields}
        )  # fmt: skip

    keys = (
        key(60),
        key(64, strings_apart_cents=2.4, strings_uncertainty_cents=0.1, strings_notes=(5, 6)),
        key(69),
        key(72, mean_cents=-6.8, beside_cents=-7.0, stands_out=True),
    )
    text = summary_markdown(replace(plan(), a4=a4(keys=keys)))
    assert "whatever stands out, of 4 keys heard" in text
    assert "| PNO | A4 | 9 | 0.2 sharp, give or take 0.1 | 0.3 sharp |  |" in text
    assert "| PNO | C5 | 9 | 6.8 flat, give or take 0.1 | 7 flat (stands out) |  |" in text
    # 330.38 (2^(2.4/1200) - 1) = 0.46 beats a second at A4 = 441
    assert (
        "| PNO | E4 | 9 | 0.2 sharp, give or take 0.1 | 0.3 sharp | strings about 2.4 cents apart, "
        "give or take 0.1 (beats 0.46 a second at the first partial), in 5 of 6 notes that could "
        "tell |" in text
    )
    assert "| PNO | C4 |" not in text
    assert "Keys of the reference" not in summary_markdown(plan())


def test_advice_is_listed_with_its_places() -> None:
    """Each piece of advice is a line of its section, unless refused; without one there is none."""
    sour = row(
        id="A-001", kind="advice", stem="PNO", action="chord-voicing", add_cents=None,
        reason="C4 C5 sounds sour",
    )  # fmt: skip
    text = summary_markdown(replace(plan(), rows=(*plan().rows, sour)))
    assert "## Advice, which is no edit" in text
    assert "- A-001, PNO, bar " in text
    assert ": C4 C5 sounds sour." in text
    retake = row(
        id="A-002", kind="advice", scope="part", stem="AGT", action="retake", add_cents=None,
        reason="sour in 15 s", start_s=None, start_bar=None, start_beat=None,
    )  # fmt: skip
    text = summary_markdown(replace(plan(), rows=(sour, retake)))
    assert "- A-002, AGT, throughout: sour in 15 s." in text
    none = replace(plan(), rows=(replace(sour, state="refused"),))
    assert "Advice, which" not in summary_markdown(none)


def test_pitches_off_by_their_beginnings_are_told_once() -> None:
    """A part whose notes all begin sharp gets that one line, not one for each of its pitches."""
    notes = tuple(
        judged(f"BAS-{midi}-{k}", midi, start_s=float(k), heard_cents=9.0 + 0.1 * k)
        for midi in (33, 35, 38)
        for k in range(5)
    )
    whole = plan(
        judged=notes, stems=(replace(plan().stems[1], offset_cents=9.2, notes=15, measured=15),)
    )
    assert [line for line in suggestions(whole) if "comes out" in line] == []
    assert any("notes begin 12 sharp of where they settle" in line for line in suggestions(whole))


def test_last_third_is_told_against_the_first() -> None:
    """A part that rises by 6 over its notes says so; thirds of fewer than four notes say nothing.

    The middle of the last third of the notes less that of the first, as recorded.
    """
    heard = [-1.0, 0.0, 1.0, 0.0, 3.0, 3.0, 3.0, 3.0, 5.0, 6.0, 7.0, 6.0]
    notes = tuple(
        judged(f"LV-{k:04d}", start_s=2.0 * k, heard_cents=error) for k, error in enumerate(heard)
    )
    # Medians 6 and 0; distances from them 0, 0, 1, 1 in both, so that half a cent is their median:
    # 0.5 x 1.4826 x 1.2533 / root 4 = 0.465 each (F. R. Hampel, 1974), 0.657 together.
    found = last_against_first(plan(judged=notes[::-1]))["LV"]
    assert found == pytest.approx((6.0, 0.657), abs=1e-3)
    assert last_against_first(plan(judged=notes[:-1])) == {}
    text = summary_markdown(plan(judged=notes))
    (head,) = (line for line in text.splitlines() if line.startswith("| stem | role |"))
    (lead,) = (line for line in text.splitlines() if line.startswith("| LV | lead-voice |"))
    column = head.split("|").index(" last third against first ")
    assert lead.split("|")[column] == " 6 sharp, give or take 0.7 "
