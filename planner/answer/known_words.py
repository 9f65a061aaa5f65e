"""Words that may stand behind an answer without changing it: a short list, and no others.

A comment that is asked about again costs a word; a yes that meant less than yes moves notes that
somebody wanted to keep. So nobody guesses what further words do to an answer: what is not in this
list is asked about, and what is only to be known stands in a note: ``3 yes, 3 note keep the
scoop``. Behind a no alone, which moves nothing, a reason is a comment: ``14 no, it's her style``.
It says what something is or means; words that may ask for a move make it none. The words are
English; chosen.
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

_THOUGHT = re.compile(r"[,;:.!()\n…–—]| - ")
_IS_OR_MEANS = (
    r"(?:'s|'re|'m)|(?: [\w']+){0,3} (?:is|are|was|were|sounds?|means?|meant|sings?|sang|plays?"
    r"|played|likes?|loves?)"
)
_BECAUSE = r"\s*(?:because|since)\b"
_REASON = re.compile(
    rf"(?:{_BECAUSE})?\s*(?:it|that|this|they|these|those|he|she|i|we|there|the|her|his|their|our)"
    rf"(?:{_IS_OR_MEANS})\b",
    re.IGNORECASE,
)
# What a no may not mean: part of it only, another answer, something else to be done.
_MAY_MOVE = re.compile(
    r"\d|[?/]|(?<![\w'])(?:yes|yep|yeah|ok|okay|sure|half|ask|note|no|not|never|but|though|yet|still"
    r"|except|unless|until|till|if|when|only|just|first|last|rest|others?|one|ones|all|both|instead"
    r"|rather|either|too|also|more|less|little|enough|better|worse|wrong|off|out|flat|sharp|high"
    r"|higher|low|lower|raised?|up|down|do|did|done|go|goes|fix\w*|mend\w*|mov\w*|chang\w*|edit\w*"
    r"|should|could|would|must|can|may|might|maybe|needs?|wants?|wish|please|actually|take)"
    r"(?![\w'])|n't",
    re.IGNORECASE,
)


def _phrases(*forms: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w'])(?:{'|'.join(forms)})(?![\w'])", re.IGNORECASE)


_AFTER = {answer: _phrases(known, _PLAIN) for answer, known in _KNOWN.items()}
_OTHERS, _BEFORE = _phrases(_PLAIN), _phrases(_PLAIN, _GREETING)
_WORD = re.compile(r"[^\s.,;:!()\"…–—-]+")


def unknown_after(answer: Answer | None, words: str) -> str:
    """The words behind an answer that are not known there; empty where all are.

    answer : None where a note, a role or bars stand in place of it
    """
    words = words.replace("’", "'")
    return _left_of(
        _AFTER.get(answer, _OTHERS), _without_reasons(words) if answer == "no" else words
    )


def _without_reasons(words: str) -> str:
    """The words behind a no without thoughts that only say why; those begin behind a stop."""
    first, *others = _THOUGHT.split(words)
    because = [first] if re.match(_BECAUSE, first, re.IGNORECASE) else []
    why = {w for w in (*because, *others) if _REASON.match(w) and not _MAY_MOVE.search(w)}
    return ", ".join(w for w in (first, *others) if w not in why)


def unknown_before(words: str) -> str:
    """The words before the first answer that are no greeting."""
    return _left_of(_BEFORE, words.replace("’", "'"))


def _left_of(known: re.Pattern[str], words: str) -> str:
    return " ".join(_WORD.findall(known.sub(" ", words)))
