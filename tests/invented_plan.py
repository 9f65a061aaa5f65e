"""A small plan of an invented session, built by hand, that the writers are tested on."""

from dataclasses import replace
from typing import Any

import numpy as np

from planner.model import AudioFacts, Finding, MeasuredNote, Measurement, Note, SessionA4, Target
from planner.words.plan_model import Judged, Offender, Plan, Row, StemSummary
from planner.words.session_model import Session, StemSpec


def judged(id: str = "LV-0147", midi: int = 74, **changes: Any) -> Judged:
    """One note, 1.4 s of lead voice that sits 21 cents low, with a trace of twelve frames."""
    target_hz = 441.0 * 2 ** ((midi - 69) / 12)
    start_s = changes.pop("start_s", 84.78260001)
    times = start_s + np.linspace(0.0, 1.4, 12)
    errors = np.array([-60, -40, -25, -21, np.nan, -20, -22, -21, -21, -22, -23, -24], float)
    measured = MeasuredNote(
        id=id,
        note=Note(
            stem=id.split("-")[0], start_s=start_s, end_s=start_s + 1.4, start_smp=4069565,
            end_smp=4136765, pitch_hz=581.0, strength=0.9, pitched_share=0.98, level_db=-18.04,
            begins="attack",
        ),
        measurement=changes.pop(
            "measurement",
            Measurement(
                onset_hz=575.9, sustain_hz=581.6, end_hz=580.5, heard_hz=581.6,
                onset_uncertainty_cents=6.04, uncertainty_cents=2.26, slope_cents_per_s=-0.04,
                vibrato_hz=5.512, vibrato_half_cents=23.33, settle_s=0.0812,
                inharmonicity_b=0.00034567, partials_cents=1.0, confidence="firm",
                contour_s=times, contour_hz=target_hz * 2 ** (errors / 1200),
            ),
        ),
    )  # fmt: skip
    whole = Judged(
        measured=measured,
        target=Target(intended_midi=midi, target_hz=target_hz, target_from="session A4"),
        onset_cents=-38.04, sustain_cents=-21.06, end_cents=-24.0, heard_cents=-21.0,
        tolerance_cents=16.2, layers=(), action="raise-lower", rule_name="held and off",
        reason="held title word sits under the piano's D", add_cents=16.0, remaining_cents=-5.0,
    )  # fmt: skip
    return replace(whole, **changes)


def row(**changes: Any) -> Row:
    """The edit list's row of that note."""
    whole = Row(
        id="LV-0147", kind="note", stem="LV", apply_to=("lead.wav",), start_s=84.78260001,
        end_s=86.18260001, start_smp=4069565, end_smp=4136765, start_bar=33, start_beat=3.0,
        end_bar=33, end_beat=4.99951, start_tc="01:01:24:19", word="tide", covers=("LV-0147",),
        intended="D5", intended_midi=74, target_hz=588.664013, target_from="session A4",
        onset_cents=-38.04, sustain_cents=-21.06, end_cents=-24.0, heard_cents=-21.0,
        slope_cents_per_s=-0.04, vibrato_hz=5.512, vibrato_half_cents=23.33,
        vibrato_regularity=0.871, uncertainty_cents=2.26, onset_uncertainty_cents=6.04,
        action="raise-lower", add_cents=16.0, in_words="raise by 16, give or take 2",
        crossfade_in_ms=60.0, crossfade_out_ms=60.0, remaining_cents=-5.0, clash_with="PNO",
        beating_hz=7.1549, severity=61.23, confidence="firm", rule_name="held and off",
        reason="held title word sits under the piano's D",
    )  # fmt: skip
    return replace(whole, **changes)


RULE = row(
    id="R-001", kind="rule", scope="part", stem="BAS", apply_to=("bass_di.wav", "bass amp; 2.wav"),
    start_s=0.0, end_s=180.5, start_smp=0, end_smp=8664000, start_bar=1, start_beat=1.0,
    end_bar=None, end_beat=None, start_tc=None, word="", notes_covered=24,
    covers=("BAS-0001", "BAS-0002"), intended="", intended_midi=None, target_hz=None,
    target_from="", onset_cents=None, sustain_cents=-4.3, end_cents=None, action="whole-part",
    add_cents=4.3, in_words="raise by 4.3, give or take 0.4", reason="tuned to 440; piano is 441",
    vibrato_hz=None, vibrato_half_cents=None, vibrato_regularity=None, state="approved",
    by="engineer",
)  # fmt: skip
SHAPED = row(
    id="LV-0153", action="shape", add_cents=None, in_words="needs points or a cut",
    points=((0.0, 0.0), (0.9, 0.0), (1.9, 18.04), (2.2, 18.0)), cut_s=88.1, onset_add_cents=0.0,
    sustain_add_cents=18.0, layers=(("R-001", 4.3), ("R-0;2 b", -9.0)), locked=True,
    comment='she said "leave it",\nthen =changed her mind',
)  # fmt: skip
QUESTION = row(
    id="Q-001", kind="question", stem="EGL", action="ask", add_cents=None, in_words="",
    reason="between D and E flat: which was meant?", confidence="shaky",
)  # fmt: skip

FACTS = AudioFacts(
    file="audio/lead.wav", container="WAV", subtype="PCM_24", sr=48000, channels=1,
    frames=8664000, sha256="ab" * 32, time_reference_smp=None, peak_dbfs=-3.0,
    dc_db=-90.0, flat_tops=0, stereo="mono", measured_side="mono",
)  # fmt: skip

OFFENDER = Offender(
    rank=1, row_id="LV-0147", stem="LV", start_s=84.7826, start_bar=33, start_beat=3.0,
    intended="D5", times=6, headline="The held D5 sits low, rubbing on the piano's D.",
    fix="raise by 16, give or take 2", severity=61.2,
    terms=(("over", 20.1), ("clash", 25.0), ("place", 15.0), ("length", 0.0)),
    minutes_so_far=0.5, above_stop_line=True,
)  # fmt: skip


def plan(**changes: Any) -> Plan:
    """The whole plan: piano, bass and lead voice; four rows, two offenders above the line."""
    bass = [
        judged(
            f"BAS-{i:04d}", 33, start_s=float(i), heard_cents=cents, onset_cents=cents,
            sustain_cents=cents, action="leave", rule_name="in tune", reason=f"within {i} cents",
            add_cents=None, layers=(("R-001", 4.3),),
        )
        for i, cents in enumerate((-8.0, -9.0, -7.0, -10.0), start=1)
    ]  # fmt: skip
    silent = judged(
        "LV-0148", start_s=90.0, heard_cents=None, onset_cents=None, sustain_cents=None,
        end_cents=None, tolerance_cents=None, action="leave", rule_name="not measured",
        reason="no firm pitch", add_cents=None, remaining_cents=None,
        measurement=Measurement(not_measured_because="41 % pitched; no number"),
    )  # fmt: skip
    whole = Plan(
        session=Session(
            song="Low Tide Ledger", artist="Mothwick Ferry", rate=48000, reference_from="PNO",
            a4_hz=441.0, consent=(("LV", "yes, keep scoops"),),
            stems=(
                StemSpec(code="PNO", file="audio/piano.wav", role="tuning-reference"),
                StemSpec(code="BAS", file="audio/bass_di.wav", role="bass-fretted"),
                StemSpec(code="LV", file="audio/lead.wav", role="lead-voice"),
                StemSpec(code="DRM", file="audio/drums.wav", role="exclude"),
            ),
        ),
        a4=SessionA4(
            a4_hz=441.0, measured_hz=441.05, uncertainty_cents=0.3, found_from="stem PNO",
            notes_used=62, stretch=((45, -3.0), (57, -1.0), (69, 0.0), (81, 2.0)),
        ),
        judged=(*bass, judged(), silent),
        rows=(RULE, row(), SHAPED, QUESTION),
        offenders=(
            OFFENDER,
            replace(OFFENDER, rank=2, row_id="R-001", stem="BAS", headline="The bass sits low.",
                    minutes_so_far=1.0, times=1),
            replace(OFFENDER, rank=3, row_id="LV-0153", severity=6.0, above_stop_line=False,
                    headline="The end sags.", minutes_so_far=1.5),
        ),
        stems=(
            StemSummary(code="PNO", role="tuning-reference", notes=62, measured=60,
                        measured_time_share=0.99, offset_cents=0.0, offset_uncertainty_cents=0.1,
                        spread_cents=1.0, onset_minus_sustain_cents=1.0, edits=0),
            StemSummary(code="BAS", role="bass-fretted", notes=4, measured=4,
                        measured_time_share=1.0, offset_cents=-8.5, offset_uncertainty_cents=0.6,
                        spread_cents=1.1, onset_minus_sustain_cents=12.0, edits=1,
                        suspicions=("tuned to 440, or old strings",)),
            StemSummary(code="LV", role="lead-voice", notes=2, measured=1,
                        measured_time_share=0.5, offset_cents=-21.0, offset_uncertainty_cents=None,
                        spread_cents=None, onset_minus_sustain_cents=None, edits=1),
        ),
        facts=(("LV", FACTS),),
        missing=("CEL",),
        findings=(Finding(severity="warning", what="The right side is silent.",
                          did="The left was used.", stem="LV", at_s=3.0),),
        sour_before_s=41.4, sour_after_s=6.6,
    )  # fmt: skip
    return replace(whole, **changes)
