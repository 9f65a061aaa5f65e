"""A bounce's files read beside their originals for the null test; nothing is kept of the sound."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from planner.compare.edited_notes import band_levels_db, edited_ids, tone_change_db, tone_said
from planner.compare.file_delay import TAPS, Delay, earlier, find_delay
from planner.compare.note_pairs import Pair, Reading
from planner.compare.null_test import (
    PIECE_S,
    NullTest,
    Pieces,
    judged,
    piece_sums,
    shifted_here,
    untouched,
)
from planner.files.audio import read_excerpt
from planner.files.audio_opening import file_form
from planner.model import Floats
from planner.words.plan_model import MOVING_ACTIONS, Row

_LEAST_TONE_S = 0.15  # chosen: twenty cycles at 130 Hz tell octaves apart
_INNER = 0.1  # chosen: of a note at either end, where edits are blended in
_AROUND = 8  # chosen: unmoved notes whose middle says what the whole file changed
_BLOCK_S = 20.0  # chosen: two files of two channels then take some 30 MB
_WINDOW_S, _WINDOWS, _TRIED = 1.0, 8, 40  # chosen: some loud ones of so many, for the delay
_SEARCH_S = 0.5  # chosen: around where the notes lie
_LEAST_S = 0.3  # chosen: less untouched time says nothing of a file
_SHIFT_S = 0.05  # chosen: how far a stretch is looked for beside its place
_LONGEST_S, _LOOKED_AT = 4.0, 20  # chosen: how much of how many changed stretches


def null_test(
    stem: str,
    original: Path,
    bounce: Path,
    *,
    rows: Sequence[Row],
    notes: Sequence[Reading],
    late_s: float,
) -> NullTest:
    """Compare one file of a bounce with its original wherever the plan asks for nothing.

    rows, notes: of this stem.
    late_s: by how much the bounce's notes begin later: where the delay is looked for, +-0.5 s.

    Raises AudioError if a file cannot be read.
    """
    empty = NullTest(stem=stem, file=bounce.name)
    sr, _, frames = file_form(original)
    other_sr, _, other_frames = file_form(bounce)
    if sr != other_sr:
        return replace(empty, why_not="the bounce has another sample rate")
    spans = {n.id: (round(n.start_s * sr), round(n.end_s * sr)) for n in notes}
    free = untouched(rows, spans, frames, sr)
    if sum(end - start for start, end in free) < _LEAST_S * sr:
        whole = any(r.scope == "part" and r.action in MOVING_ACTIONS for r in rows)
        why = "a rule moves the whole part" if whole else "edits cover nearly all of it"
        return replace(empty, why_not=why)
    delay = _delay(original, bounce, free, sr, late_s)
    if delay is None:
        quiet = not any(read_excerpt(original, start, end).any() for start, end in free)
        why = "there is silence outside the edits" if quiet else ""
        return replace(empty, why_not=why, rerendered=not quiet)
    pieces = _pieces(original, bounce, free, delay, sr)
    there = pieces.start_smp + delay.whole_smp
    kept = (there >= 0) & (there + pieces.length_smp <= other_frames)
    pieces = replace(pieces, start_smp=pieces.start_smp[kept], sums=pieces.sums[kept])
    own = {n for r in rows if r.action in MOVING_ACTIONS for n in r.covers}
    alone = [span for note, span in spans.items() if note not in own]
    found = judged(pieces, sr, alone, free)
    changed = []
    for k, one in enumerate(found.changed):
        if one.how == "other" and k < _LOOKED_AT:
            margin = round(_SHIFT_S * sr)
            # Its first and last piece may be half of it, and other sound comes in from beside it.
            inside = margin + round(PIECE_S * sr)
            start, end = round(one.start_s * sr) + inside, round(one.end_s * sr) - inside
            end = min(end, start + round(_LONGEST_S * sr))
            if end - start >= margin:
                x, y = _both(original, bounce, start, end, delay, margin)
                turn = -1.0 if found.turned_over else 1.0
                one = shifted_here(one, x, turn * y, found.gain_db, sr)
        changed.append(one)
    return replace(
        found,
        stem=stem,
        file=bounce.name,
        late_smp=delay.late_smp,
        late_s=delay.late_smp / sr,
        changed=tuple(changed),
    )


def tone_of_edits(
    original: Path, bounce: Path, rows: Sequence[Row], pairs: Mapping[str, Pair]
) -> list[str]:
    """Say which edited notes of one file have another tone than in the original.

    rows: of this stem.
    pairs: note id -> the note in both files; of this stem.

    Raises AudioError if a file cannot be read.
    """
    own = edited_ids(rows)
    moved = {n for r in rows if r.action in MOVING_ACTIONS for n in r.covers}
    still = [key for key in pairs if key not in moved]
    known: dict[str, Floats | None] = {}

    def change(key: str) -> Floats | None:
        if key not in known:
            known[key] = _tone_change(original, bounce, pairs[key])
        return known[key]

    changes, around = {}, {}
    for key in sorted(own & pairs.keys()):
        found = change(key)
        if found is None:
            continue
        changes[key] = found
        at_s = pairs[key].then.start_s
        near = sorted(still, key=lambda k: (abs(pairs[k].then.start_s - at_s), k))[:_AROUND]
        around[key] = [beside for k in near if (beside := change(k)) is not None]
    return tone_said(changes, around)


def _tone_change(original: Path, bounce: Path, pair: Pair) -> Floats | None:
    """How a note's bands changed; None where it is too short, or not surely the same note."""
    length_s = min(one.end_s - one.start_s for one in (pair.then, pair.now))
    move = pair.moved()
    if move is None or pair.shaky or length_s < _LEAST_TONE_S:
        return None
    sounds, rates = [], []
    for path, start_s in ((original, pair.then.start_s), (bounce, pair.now.start_s)):
        sr, _, _ = file_form(path)
        first, last = (round((start_s + share * length_s) * sr) for share in (_INNER, 1.0 - _INNER))
        sounds.append(_padded(path, first, last))
        rates.append(sr)
    x, y = _one_channel(*sounds)
    if not x.any() or not y.any():
        return None
    return tone_change_db(band_levels_db(x, rates[0]), band_levels_db(y, rates[1], move.cents))


def _delay(
    original: Path, bounce: Path, free: Sequence[tuple[int, int]], sr: int, late_s: float
) -> Delay | None:
    """Find the delay from the loudest windows outside the edits."""
    length = min(round(_WINDOW_S * sr), max(end - start for start, end in free))
    starts = [
        at for start, end in free for at in range(start, end - length + 1, max(length // 2, 1))
    ]
    tried = starts[:: max(1, len(starts) // _TRIED)]
    windows = [(at, read_excerpt(original, at, at + length)) for at in tried]
    # The loudest of each part of the file, so that one spoiled place does not decide.
    each = max(1, -(-len(windows) // _WINDOWS))
    groups = [windows[k : k + each] for k in range(0, len(windows), each)]
    loud = [max(group, key=lambda one: float((one[1] ** 2).sum())) for group in groups]
    margin, about = round(_SEARCH_S * sr), round(late_s * sr)
    pairs = []
    for at, x in loud:
        y = _padded(bounce, at + about - margin, at + about + length + margin)
        pairs.append(_one_channel(x, y))
    found = find_delay(pairs)
    return None if found is None else replace(found, whole_smp=found.whole_smp + about)


def _one_channel(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The louder side of both, or the middle where they have not as many."""
    if x.shape[1] == y.shape[1]:
        side = int(np.argmax((x**2).sum(axis=0)))
        return x[:, side].astype(float), y[:, side].astype(float)
    return x.mean(axis=1).astype(float), y.mean(axis=1).astype(float)


def _pieces(
    original: Path, bounce: Path, free: Sequence[tuple[int, int]], delay: Delay, sr: int
) -> Pieces:
    length = round(PIECE_S * sr)
    block = length * max(1, round(_BLOCK_S / PIECE_S))
    starts: list[int] = []
    sums: list[Floats] = []
    channels = 1
    for first, end in free:
        for at in range(first, end - length + 1, block):
            until = at + (min(at + block, end) - at) // length * length
            x, y = _both(original, bounce, at, until, delay, 0)
            channels = x.shape[1]
            starts += range(at, until, length)
            sums.append(piece_sums(x, y, length))
    return Pieces(
        start_smp=np.array(starts, dtype=np.int64),
        length_smp=length,
        channels=channels,
        sums=np.concatenate(sums) if sums else np.zeros((0, 6)),
    )


def _both(
    original: Path, bounce: Path, start: int, end: int, delay: Delay, margin: int
) -> tuple[Floats, Floats]:
    """Read a stretch of both, the bounce brought to the original's place, with a margin."""
    x = read_excerpt(original, start, end).astype(float)
    at, pad = start + delay.whole_smp - margin, TAPS if delay.part_smp else 0
    y = _padded(bounce, at - pad, at + len(x) + 2 * margin + pad).astype(float)
    y = earlier(y, delay.part_smp, pad)
    if x.shape[1] != y.shape[1]:  # a mono part in a stereo file, or the other way round
        x, y = x.mean(axis=1, keepdims=True), y.mean(axis=1, keepdims=True)
    return x, y


def _padded(path: Path, start: int, end: int) -> Floats:
    """Read samples, with silence before and behind what the file has."""
    found = read_excerpt(path, max(start, 0), max(end, 0))
    before = min(max(-start, 0), end - start)
    behind = max(end - start - before - len(found), 0)
    return np.pad(found, ((before, behind), (0, 0)))
