"""Words behind an answer that take it back, bound it, hang it on something or carry it elsewhere.

A comment that is refused costs a word; a yes that meant less than yes moves notes that somebody
wanted to keep. So words that may change an answer make it one that is not understood, and what is
only to be known stands in a note: ``3 yes, 3 note keep the scoop``. The words are English; chosen.
"""

import re

from planner.answer.answers import Answer

# "bar 9", "the chorus", "the end": a part of what the answer is about.
_PART = (
    r"(?:the\s+)?(?:bars?\s+\d+|(?:pre-?)?chorus(?:es)?|verses?|bridges?|intro|outro|solos?|refrain"
    r"|coda|end|beginning|start|(?:first|second|third|last|low|high)\b)"
)
# Whatever was answered: it is bounded, it hangs on something, or it was thought over.
_ANY = (
    r"but|only|except(?:ing)?|excluding|unless|if|provided|as\s+long\s+as|instead|rather"
    r"|apart\s+from|other\s+than|maybe|perhaps|possibly|actually|wait|hold\s+on|second\s+thoughts?"
    r"|scratch\s+that|not\s+sure|rest|others?"
    rf"|(?:from|until|till|through|before|after)\s+{_PART}"
    r"|(?:same|also|likewise)\b[^.\n]*\d|\d+\s+(?:too|as\s+well|likewise)"
)
# A yes that spares something, or asks for another number. "3 dB more" is no pitch.
_YES = (
    r"no|half|ask|not|never|\w+n['\u2019]t|dont|without|keep|leave|when|skip|spare"
    rf"|(?:in|for|during|on|to)\s+{_PART}|the\s+(?:first|second|third|last)"
    r"|(?<!dB )(?:more|less)|up|down|raise|lower|sharper|flatter|\d+\s*(?:c|cents?)"
)
# "no problem" agrees, and "no, do it" changes its mind.
_NO = r"yes|half|do\s+it|fix\s+(?:it|this|that)|go\s+(?:ahead|for\s+it)|please\s+(?:do|fix)|anyway"
_AGREES = r"prob(?:lem)?s?|worries|objections?|doubt|question|issues?|sweat|idea|need\s+to\s+ask"


def _words(*forms: str) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(forms)})\b", re.IGNORECASE)


_CHANGES: dict[Answer | None, re.Pattern[str]] = {
    "yes": _words(_ANY, _YES),
    "half": _words(_ANY, _YES, "yes"),
    "no": _words(_ANY, _NO),
}
_AT_ONCE: dict[Answer | None, re.Pattern[str]] = {
    "yes": re.compile(r"\A\s*\?"),
    "half": re.compile(r"\A\s*\?"),
    "no": re.compile(rf"\A\W*(?:\?|(?:{_AGREES})\b)", re.IGNORECASE),
}
# A line that begins with no number and holds an answer speaks of something else.
_FURTHER_LINE = re.compile(r"\n.*\b(?:yes|no|half|ask)\b", re.IGNORECASE)


def is_changed(answer: Answer | None, words: str) -> bool:
    """Whether the words behind a yes, a no or a half may change it.

    An ask or a note is not changed by anything: neither moves a note.
    """
    if answer not in _CHANGES:
        return False
    changes = _CHANGES[answer].search(words) or _AT_ONCE[answer].match(words)
    return bool(changes or _FURTHER_LINE.search(words))
