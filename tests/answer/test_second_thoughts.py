"""What takes an answer back or bounds it, and what is a comment."""

import pytest

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
COMMENTS = (
    "3 yes love it",
    "3 yes!!! she hates it too",
    "3 yes, like bar 9",
    "3 yes 3 dB more",
    "3 yes, sour for ages",
    "3 yes from me",
    "3 no please keep it",
    "3 no, don't touch it",
    "3 no - it's the singer's style",
    "3 no not worth it",
    "3 half please",
    "3 ask her, then yes",
    "3 note keep the scoop, but not the breath",
)


@pytest.mark.parametrize("reply", CHANGED)
def test_what_may_change_an_answer_is_asked_again(reply: str) -> None:
    """Nothing of it is taken; the reply says how to write it."""
    said, unclear = read_reply(reply)
    assert said == ()
    assert [one.text for one in unclear] == [reply]
    assert "put what is only to be known into a note: '3 yes, 3 note keep the scoop'" in (
        unclear[0].why
    )


@pytest.mark.parametrize("reply", COMMENTS)
def test_other_words_are_a_comment(reply: str) -> None:
    """They agree with the answer, or move nothing."""
    said, unclear = read_reply(reply)
    assert len(said) == 1
    assert unclear == ()


def test_a_note_may_stand_beside_an_answer() -> None:
    """So that nothing a person wants to say is lost."""
    found, unclear = placed(read_reply("3 yes, 3 note keep the scoop")[0], (row(),), {3: row().id})
    assert [(p.answer, p.comment) for p in found] == [("yes", ""), ("note", "keep the scoop")]
    assert unclear == ()
