"""What may change an answer is asked again; what any person understands is understood."""

import pytest

from planner.answer.known_words import unknown_after
from planner.answer.replies import placed
from planner.answer.reply_words import read_reply
from tests.invented_plan import row

# As people write from a car: each was read as its first word, and moved or kept more than was said.
CHANGED = (
    "3 yes. Please keep B3",
    "3 yes, keep the B3 as is",
    "3 yes, leave the last one",
    "3 yes. Don't touch the B3 though",
    "3 yes. except the high ones",
    "R-001 yes, not in the chorus",
    "R-001 yes until bar 12",
    "R-001 yes after the bridge",
    "R-001 yes in the verses",
    "R-001 yes for bars 9-16",
    "R-001 no from bar 9",
    "R-001 yes, the first four bars only",
    "3 yes... actually no",
    "3 yes? I think so",
    "3 yes, if she agrees",
    "3 yes (not the second note)",
    "3 yes, same for 4",
    "3, 4 and 5 yes; rest no",
    "3 yes to the first, no to the rest",
    "3-6 yes not 5",
    "3 to 6 yes, apart from 5",
    "3 yes but a bit less",
    "3 yes, by 10 cents",
    "3 yes, up not down",
    "3 yes without touching the scoop",
    "3 yes, provided the scoop stays",
    "3 yes unless Ann minds",
    "3 no problem",
    "3 no worries go ahead",
    "3 no doubt, fix it",
    "3 no, do it",
    "3 no but maybe half",
    "3 half, but not the end",
)
# Invented for this test, and looked at: readings that no list of dangerous words foresaw.
CHANGED_TOO = (
    "22 yes full, not 23, 24 yes",
    "3 yes lower one only",
    "3 yes?",
    "3 yes/no",
    "3 yes 👎",
    "3 ok as is",
    "3 ok leave it",
    "3 okay, sort of",
    "3 sure, once she is back",
    "3 yes love that scoop",
    "3 yes, the vibrato stays",
    "3 yes and no",
    "3 yes no more",
    "3 yes 4",
    "3 yes, and 4 too",
    "3 yes, 5 mabye",
    "3 yes\n5 mabye",
    "3 yes\nher version mind",
    "3 yes, take 2",
    "3 yes lock it in",
    "3 yeah right",
    "3 yep, minus the growl",
    "3 nah do it",
    "3 nope, changed my mind",
    "3 no good",
    "3 no scoop",
    "3 no vibrato",
    "3 no, fix that scoop",
    "3 no idea",
    "3 no more than 5",
    "3 no to the first",
    "3 n/a",
    "3 half of the phrase",
    "3 half not more",
    "3 half, the low one",
    "no 5 yes 6",
    "yes 3 no 4 yes 5",
    "not 5, 6 yes",
    "all but 5: 3 yes, 4 yes",
    "1 yes, 3 hlaf, 4 no",
    "R-002 from bar 19, not the bridge",
    "Q-003 F#3, no wait, F3",
    "Q-003 F#3 or G3",
    "20 ask her about 21, 22 yes",
    "9 note keep 3 and 4 yes",
    "4 ask her, 5 mabye",
)
# A no that may mean something else, though it begins with what something is.
NO_REASON = (
    "3 no, it's fine to fix",
    "3 no, i'd do it",
    "3 no, it needs it",
    "3 no, that should go",
    "3 no, the first is hers",
    "3 no, she is for yes",
    "3 no, it's half of that",
    "3 no, I meant yes",
    "3 no, that was wrong",
    "3 no, that's wrong, go ahead",
    "3 no, it's too little",
    "3 no, it is flatter than that, lower it",
    "3 no, they're worse",
    "3 no, the other one",
    "3 no, it's 12 cents",
    "3 no, it's like 4",
    "3 no, it is LV-0147 that is off",
    "3 no, it's the singer's style?",
    "3 no, it's the singer's style but fix it",
    "3 no, it's the singer's style\nmove the piano",
    "3 yes, it's the singer's style",
    "3 half, it's the singer's style",
)
READ = {
    "1 yes pls": "1 yes pls",
    "1 yep pls. 2 yeah 3 sure": "1 yes pls., 2 yes, 3 yes",
    "3 no it is how she sings": "3 no it is how she sings",
    "7 no she means it": "7 no she means it",
    "7 no, she meant it": "7 no she meant it",
    "7 no because it sounds great": "7 no because it sounds great",
    "8 half is plenty, 9 no, it's a blues": "8 half is plenty, 9 no it's a blues",
    "7 leave it, 8 leave them alone": "7 no, 8 no alone",
    "14 no, it's the singer's style": "14 no it's the singer's style",
    "14 no - that is how she sings it, 20 yes": "14 no - that is how she sings it, 20 yes",
    "14 no because the bend is lovely": "14 no because the bend is lovely",
    "3 no, love it, her scoop is the song": "3 no love it, her scoop is the song",
    "1: y": "1 yes",
    "1 - ok": "1 yes",
    "1. yes\n2) nope": "1 yes, 2 no",
    "3 yep, 4 yeah!, 5 sure": "3 yes, 4 yes, 5 yes",
    "3 nah; 4 n": "3 no, 4 no",
    "3, 4, and 5 okay": "3 yes, 4 yes, 5 yes",
    "hi, 3 yes please 4 no thanks": "3 yes please, 4 no thanks",
    "22 yes full\nnot needed": "",
    "3 yes (love it)": "3 yes (love it)",
    "3 yes\nthanks!": "3 yes thanks!",
    "3 no, don\u2019t touch it": "3 no don\u2019t touch it",
    "3 no please keep it": "3 no please keep it",
    "3 no, that's her style": "3 no that's her style",
    "3 no not worth it": "3 no not worth it",
    "3 half please": "3 half please",
    "3 yes, obviously": "3 yes obviously",
    "3 ask her, then yes": "3 ask her, then yes",
    "3 ask her, 4 yes": "3 ask her, 4 yes",
    "3 note keep the scoop, but not the breath": "3 note keep the scoop, but not the breath",
    "3 yes, 3 note keep the scoop": "3 yes, 3 note keep the scoop",
}


@pytest.mark.parametrize("reply", CHANGED + CHANGED_TOO + NO_REASON)
def test_what_may_change_an_answer_is_asked_again(reply: str) -> None:
    """Nothing of it is taken; the piece that is not clear is told back, word by word."""
    said, unclear = read_reply(reply)
    assert all(one.held for one in said)
    assert unclear
    assert all(one.text and one.text in reply for one in unclear)
    assert said or [one.text for one in unclear] == [reply]


def test_what_is_asked_again_says_which_words_and_how_to_write_it() -> None:
    """A line by itself is understood beside one that is not."""
    said, unclear = read_reply("22 yes full, not 23\n24 yes")
    assert [(one.ref, one.answer, one.held) for one in said] == [("24", "yes", False)]
    assert [(one.text, one.why, one.ref) for one in unclear] == [
        ("22 yes full, not 23", "what 'not 23' means for the answer is not clear", "22")
    ]


@pytest.mark.parametrize(
    ("reply", "held", "piece"),
    [
        ("1 yep thanks, 2 yes but gently, 3 no", ["1 yes", "3 no"], "2 yes but gently"),
        ("1 yes, 3 hlaf, 4 no", ["1 yes", "4 no"], "3 hlaf"),
        ("1 yes, 2 no fix it. 3 half", ["1 yes", "3 half"], "2 no fix it."),
        ("all but 5: 3 yes, 4 yes", ["4 yes"], "all but 5: 3 yes"),
        # Nothing parts the words from the next answer: they may take it in.
        ("22 yes full, not 23, 24 yes", [], "22 yes full, not 23, 24 yes"),
        ("1 yes, 20 ask her about 21, 22 yes", ["1 yes"], "20 ask her about 21, 22 yes"),
        ("yes 3 no 4 yes 5", [], "yes 3 no 4 yes 5"),
        ("no she means it", [], "no she means it"),
    ],
)
def test_what_is_clear_beside_it_is_read_and_held(reply: str, held: list[str], piece: str) -> None:
    """Only the piece that is not understood comes back as such; its line waits for it."""
    said, (unclear,) = read_reply(reply)
    assert [f"{one.ref} {one.answer}" for one in said if one.held] == held
    assert not [one for one in said if not one.held]
    assert unclear.text == piece


@pytest.mark.parametrize(("reply", "read"), READ.items())
def test_what_any_person_understands_is_understood(reply: str, read: str) -> None:
    """Other words for yes and no, thanks, and words that only agree."""
    said, unclear = read_reply(reply)
    told = (f"{one.ref} {one.comment if one.answer == 'ask' else f'{one.answer} {one.comment}'}"
            for one in said)  # fmt: skip
    assert ", ".join(one.strip() for one in told) == read
    assert bool(unclear) is not bool(read)


def test_a_word_is_known_behind_its_own_answer() -> None:
    """What agrees with a yes may take back a no."""
    assert unknown_after("yes", "do it") == ""
    assert unknown_after("no", "do it") == "do it"
    assert unknown_after(None, "thanks, love it") == "love it"
    assert unknown_after(None, "way sharp, I think") == "I think"


def test_a_note_may_stand_beside_an_answer() -> None:
    """So that nothing a person wants to say is lost."""
    found, unclear = placed(read_reply("3 yes, 3 note keep the scoop")[0], (row(),), {3: row().id})
    assert [(p.answer, p.comment) for p in found] == [("yes", ""), ("note", "keep the scoop")]
    assert unclear == ()
