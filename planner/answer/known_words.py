"""Words that may stand behind an answer without changing it: one short list an answer, no others.

A comment that is asked about again costs a word; a yes that meant less than yes moves notes that
somebody wanted to keep. So nobody guesses what further words do to an answer: what is not in its
list is asked about, and what is only to be known stands in a note: ``3 yes, 3 note keep the
scoop``. Behind a no, which moves nothing, a reason is known as well where it only says what
something is or how somebody plays: ``14 no, it's the singer's style``. English; chosen.
"""

import re

from planner.answer.answers import Answer

ANSWER_WORDS: dict[Answer, tuple[str, ...]] = {
    "yes": ("yes", "yep", "yeah", "yup", "y", "ok", "okay", "sure"),
    "no": ("no", "nope", "nah", "n", "leave it", "leave them", "leave this", "leave that"),
    "half": ("half",),
    "ask": ("ask",),
    "note": ("note",),
}
_PLAIN = (
    r"please|pls|plz|thanks|thank you|thx|cheers|really|definitely|absolutely|totally|obviously"
    r"|clearly|and"
)
_GREETING = r"hi|hello|hey|ok|okay|so"
_IT = r"(?:it|this|that|them|those)"
_WHO = r"(?:i|we|he|she|they|(?:the|her|his|our) (?:singer|player|song|tune|band))"
_LOVED = (
    r"(?:(?:the|that|this|those|a|her|his|their|our) )?(?:(?:singer|player|song|band)'s )?(?:scoop"
    r"|slide|bend|fall|vibrato|rise|growl|feel|style|sound|note|way|song|phrasing|blues|jazz)s?"
)
_DOES = rf"(?:sing|play|like|love|mean|meant|want|do|doe|keep)s?(?: {_IT})?"
_IS = (
    rf"(?:(?:(?:{_IT}|{_LOVED}) (?:is|are|was)|it's|its|that's|they're|(?:{_IT} )?sounds)"
    r"(?: just)?)"
)
_FINE = (
    r"(?:fine|lovely|great|beautiful|perfect|nice|intended|deliberate|on purpose"
    rf"|meant(?: so| that way| to be)?|{_LOVED}|how {_WHO} {_DOES}|what {_WHO} {_DOES})"
)
_KNOWN: dict[Answer | None, str] = {
    "yes": rf"yes|yep|yeah|ok|okay|sure|agreed|of course|(?:do|fix|mend) {_IT}|go ahead"
    r"|go for it|love it|lovely|great|good idea|sounds good|full|fully|in full|all of it",
    "half": rf"half|(?:{_IS} |is )?(?:enough|fine|plenty)|of {_IT}|will do",
    "no": rf"no|nope|nah|way|need|not worth it|hands off|alone|because|since|as it is|as is"
    rf"|(?:{_WHO} )?(?:love|like|mean|meant|keep|leave|want|do not touch|don't touch)s?"
    rf" (?:(?:the|that|this|those|her|his|their) {_LOVED}|{_IT})|{_IS} {_FINE}",
    # A note that is named, a role, bars: how it sounds changes none of them.
    None: r"(?:way|very|really|quite|too|so|a bit|a little) (?:sharp|flat|high|low)",
}


def _phrases(*forms: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w'])(?:{'|'.join(forms)})(?![\w'])", re.IGNORECASE)


_AFTER = {answer: _phrases(known, _PLAIN) for answer, known in _KNOWN.items()}
_BEFORE = _phrases(_PLAIN, _GREETING)
_WORD = re.compile(r"[^\s.,;:!()\"…–—-]+")


def unknown_after(answer: Answer | None, words: str) -> str:
    """The words behind an answer that are not known there; empty where all are.

    answer : None where a note, a role or bars stand in place of it
    """
    return _left_of(_AFTER[answer], words)


def unknown_before(words: str) -> str:
    """The words before the first answer that are no greeting."""
    return _left_of(_BEFORE, words)


def _left_of(known: re.Pattern[str], words: str) -> str:
    return " ".join(_WORD.findall(known.sub(" ", words.replace("’", "'"))))
