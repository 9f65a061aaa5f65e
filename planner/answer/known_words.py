"""Words that may stand behind an answer without changing it: a short list, and no others.

A comment that is asked about again costs a word; a yes that meant less than yes moves notes that
somebody wanted to keep. So nobody guesses what further words do to an answer: what is not in this
list is asked about, and what is only to be known stands in a note: ``3 yes, 3 note keep the
scoop``. The words are English; chosen.
"""

import re

from planner.answer.answers import Answer

ANSWER_WORDS: dict[Answer, tuple[str, ...]] = {
    "yes": ("yes", "yep", "yeah", "yup", "y", "ok", "okay", "sure"),
    "no": ("no", "nope", "nah", "n"),
    "half": ("half",),
    "ask": ("ask",),
    "note": ("note",),
}
_PLAIN = (
    r"please|thanks|thank you|cheers|really|definitely|absolutely|totally|obviously|clearly|and"
)
_GREETING = r"hi|hello|hey|ok|okay|so"
_IT = r"(?:it|this|that|them|those)"
_LOVED = (
    r"(?:the|that|this|those|her|his|their)"
    r" (?:scoops?|slides?|bends?|falls?|vibrato|rise|growl|feel|style|sound|note|way)"
)
_IS = r"(?:(?:it|that|this)(?: i|')s|they(?: a|')re|sounds?)"
_KNOWN: dict[Answer | None, str] = {
    "yes": rf"yes|yep|yeah|ok|okay|sure|agreed|of course|(?:do|fix|mend) {_IT}|go ahead"
    r"|go for it|love it|lovely|great|good idea|sounds good|full|fully|in full|all of it",
    "half": rf"half|(?:{_IS} )?(?:enough|fine|plenty)|is enough|of {_IT}|will do",
    "no": rf"no|nope|nah|way|need|not worth it|hands off|(?:(?:i|we|he|she|they) )?"
    rf"(?:love|like|mean|keep|leave|do not touch|don't touch)s? (?:{_LOVED}|{_IT})"
    r"(?: as (?:it )?is)?"
    rf"|{_IS} (?:fine|lovely|great|beautiful|perfect|meant so|intended|on purpose|{_LOVED})",
}


def _phrases(*forms: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w'])(?:{'|'.join(forms)})(?![\w'])", re.IGNORECASE)


_AFTER = {answer: _phrases(known, _PLAIN) for answer, known in _KNOWN.items()}
_OTHERS, _BEFORE = _phrases(_PLAIN), _phrases(_PLAIN, _GREETING)
_WORD = re.compile(r"[^\s.,;:!()\"…–—-]+")


def unknown_after(answer: Answer | None, words: str) -> str:
    """The words behind an answer that are not known there; empty where all are.

    answer : None where a note, a role or bars stand in place of it
    """
    return _left_of(_AFTER.get(answer, _OTHERS), words)


def unknown_before(words: str) -> str:
    """The words before the first answer that are no greeting."""
    return _left_of(_BEFORE, words)


def _left_of(known: re.Pattern[str], words: str) -> str:
    return " ".join(_WORD.findall(known.sub(" ", words.replace("’", "'"))))
