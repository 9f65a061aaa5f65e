"""Guesses what a stem is from its file name or its sound.

Nothing here is certain; a person goes over every guess.
The words are those that engineers write on files: common practice, no source.
"""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from planner.model import Role
from planner.read.session_values import RESERVED_CODES


@dataclass(frozen=True, slots=True, kw_only=True)
class StemGuess:
    """What one file probably is."""

    file: str  # as the session file is to write it
    code: str  # a proposal; made unique when the session file is written
    role: Role | None  # None: nothing said what it is
    because: str  # what said so, in words
    several_notes: bool = False  # whether several voices are likely to sound in the one file


@dataclass(frozen=True, slots=True, kw_only=True)
class _Words:
    """One line of the table: every group must have a word in the name."""

    code: str
    role: Role
    groups: tuple[frozenset[str], ...]
    several_notes: bool = False


def _plain(text: str) -> str:
    """Text without accents, so that Flöte, Flo\u0308te and Flote are one."""
    # Marks on Latin, Greek and Cyrillic letters; those of other scripts make another letter.
    bare = re.sub("[\u0300-\u036f]", "", unicodedata.normalize("NFKD", text))
    return unicodedata.normalize("NFC", bare)


def _set(words: str) -> frozenset[str]:
    return frozenset(_plain(words).split())


def _line(code: str, role: Role, *groups: str, several_notes: bool = False) -> _Words:
    words = tuple(_set(group) for group in groups)
    return _Words(code=code, role=role, groups=words, several_notes=several_notes)


_BACKING = "bv bvs bgv bgvs bvox bgvox bvoc bvocs"
_VOICE = (
    "vox vx voc vocal vocals voice voices voix voz voce gesang stimme sing singer sung lv "
    f"вокал ボーカル {_BACKING}"
)
_GUITAR = "gtr gtrs gt guitar guitars git gitarre gitarren guitare guitarra chitarra ギター гитара"
_ELECTRIC = "eg egl egr egtr egtrs elgtr elec electric"
_ACOUSTIC = "ag agl agr agtr acgtr ac acou acoustic nylon strum"
_SINGLE = "lead ld solo line riff melody mel"
_BASS = "bass bas bs basse bajo basso baixo ベース бас"
_SECTION = "section sect sec ens ensemble group tutti"

# The first line that fits wins, so what is more particular stands above what is more general.
_TABLE = (
    _line("RM", "exclude", "room rooms ambience ambient amb reverb verb delay fx sfx return"),
    _line("OUT", "exclude", "click clk metronome talkback slate count countin cue scratch guide"),
    _line("TOM", "drum-tones", "tom toms timpani timp timps rototom rototoms"),
    _line("KT", "drum-tones", "kick kik bd drum", "tone tuned pitch pitched"),
    _line("PAN", "fixed-pitch", "steel", "pan pans drum drums"),
    _line("DRM", "exclude",
          "drum drums drm drms kit kick kik bd snare snr sn hat hats hihat hh overhead overheads "
          "oh ohs cymbal cymbals ride crash schlagzeug batterie bateria batteria ドラム ударные"),
    _line("PRC", "exclude",
          "perc percussion shaker shk tamb tambourine clap claps snap snaps cowbell conga congas "
          "bongo bongos cajon cabasa maracas triangle woodblock stomp stomps"),
    _line("SPK", "exclude", "speech spoken narration dialog dialogue talk breath breaths noise"),
    _line("CRD", "exclude", "gang crowd audience chant"),
    _line("CHR", "voice-harmony", "choir chor choeur coro хор", several_notes=True),
    _line("BV", "voice-harmony", _VOICE, "harm harms harmony harmonies third thirds fifth backing"),
    _line("BV", "voice-double", _VOICE, "double doubles dbl dub doubled unison"),
    _line("BV", "voice-harmony", f"{_BACKING} backings"),
    _line("BV", "voice-harmony", "background backup back", _VOICE),
    _line("SYN", "sampled",
          "synth synths syn pad pads sampled sample samples sampler samp midi vst arp seq "
          "sequencer vocoder programmed"),
    _line("LV", "lead-voice", _VOICE),
    _line("ENH", "woodwind", "english eng cor", "horn anglais"),
    _line("BCL", "woodwind", "bass", "clarinet clar flute recorder sax"),
    _line("BTB", "brass", "bass", "trombone tbn trb bone tuba"),
    _line("UPB", "bass-fretless", "upright double string acoustic bowed arco contra", "bass"),
    _line("UPB", "bass-fretless",
          "contrabass doublebass kontrabass dbass contrebasse contrabbasso contrabajo"),
    _line("FLB", "bass-fretless", "fretless"),
    _line("BAS", "bass-fretted", _BASS),
    _line("HPS", "fixed-pitch", "harpsichord cembalo clavichord clav celesta celeste harp"),
    _line("EP", "fixed-pitch", "ep epiano epno"),
    _line("EP", "fixed-pitch", f"{_ELECTRIC} e", "piano pno"),
    _line("TOY", "fixed-pitch", "toy", "piano pno"),
    _line("PNO", "tuning-reference", "piano pianos pno pf grand klavier ピアノ пианино"),
    _line("UPR", "tuning-reference", "upright"),  # or a bass: `with_uprights`
    _line("ORG", "fixed-pitch", "organ org orgel orgue organo harmonium"),
    _line("KEY", "fixed-pitch", "keys keyboard keyboards kbd kbds tines reeds"),
    _line("MAL", "fixed-pitch",
          "glock glockenspiel vibes vibraphone marimba xylo xylophone bells chimes handbells "
          "kalimba mallet mallets crotales"),
    _line("ACC", "fixed-pitch",
          "accordion accordeon akkordeon accord concertina melodica harmonica"),
    _line("VCS", "bowed-group", "celli cellos violins vlns violas vlas violinen geigen bratschen"),
    _line("VCS", "bowed-group", "cello vc vcl violin vln vn viola vla fiddle fiddles", _SECTION),
    _line("CEL", "bowed", "cello cel vc vcl vlc violoncello violoncelle violonchelo"),
    _line("VLN", "bowed", "violin vln vn vl fiddle violon violino violine geige"),
    _line("VLA", "bowed", "viola vla bratsche"),
    _line("STR", "bowed-group", "strings string str strs stgs quartet"),
    _line("FLG", "brass", "flugel flugelhorn flghn flgl"),
    _line("TPT", "brass", "trumpet trumpets tpt trp cornet trompete trompette tromba trompeta"),
    _line("TBN", "brass", "trombone trombones tbn trb bone bones posaune posaunen"),
    _line("HRN", "brass", "horn horns hrn hn brass tuba euphonium euph waldhorn corno cor"),
    _line("SAX", "woodwind", "sax saxes saxophone saxophones asax tsax bsax saxophon saxofon"),
    _line("FLT", "woodwind",
          "flute flutes flt fl flote querflote blockflote flauta flauto piccolo picc whistle "
          "recorder ocarina"),
    _line("CLR", "woodwind",
          "clarinet clarinets clar clt klarinette clarinette clarinetto clarinete"),
    _line("OBO", "woodwind", "oboe oboes ob hautbois"),
    _line("BSN", "woodwind", "bassoon bassoons bsn fagott fagotto basson"),
    _line("WW", "woodwind", "woodwind woodwinds ww winds"),
    _line("AG", "fretted", _ACOUSTIC, _SINGLE),
    _line("AG", "fretted-chords", _ACOUSTIC),
    _line("EG", "fretted", _ELECTRIC, _SINGLE),
    _line("EG", "fretted-chords", _ELECTRIC),
    _line("GTR", "fretted", _GUITAR, _SINGLE),
    _line("GTR", "fretted-chords", _GUITAR),
    _line("UKE", "fretted-chords", "uke ukulele"),
    _line("MND", "fretted", "mandolin mandoline mando mnd banjo bjo bouzouki oud sitar"),
    _line("BV", "voice-harmony", "harm harms harmony harmonies third thirds"),
    _line("BV", "voice-double", "double doubles dbl dub doubled"),
    _line("LV", "lead-voice", "lead ld"),
    _line("DI", "bass-fretted", "di"),
    _line("MIX", "exclude", "mix mixdown rough master"),
)  # fmt: skip

# Words that say how a file was made, not what plays in it.
_EMPTY_WORDS = _set(
    "audio track trk comp final take bounce stem stems file rec recording edit new old copy print "
    "consolidated song wav the and with"
)
_LEFT, _RIGHT = _set("l left lft agl egl"), _set("r right rgt agr egr")
_JOINS = re.compile(
    r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[^0-9])(?=[0-9])|(?<=[0-9])(?=[^0-9])"
)


def _words(name: str) -> list[str]:
    """Take a name apart at everything that is no letter or digit; accents are dropped."""
    return [word for word in re.split(r"[\W_]+", _plain(name)) if word]


def name_parts(name: str) -> tuple[str, ...]:
    """Take the words apart once more, where digits or a capital begin: bassDI2 is bass, di, 2."""
    return tuple(part.lower() for word in _words(name) for part in _JOINS.split(word))


def _tokens(name: str) -> tuple[str, ...]:
    """Give the parts, then the whole words, so that BVs is found as well as leadVox."""
    return name_parts(name) + tuple(word.lower() for word in _words(name))


def _match(tokens: Sequence[str]) -> tuple[_Words, tuple[str, ...]] | None:
    present = frozenset(tokens)
    for line in _TABLE:
        found = [present & group for group in line.groups]
        # One word cannot serve two groups: "lead" alone is not a lead guitar.
        if all(found) and len(frozenset().union(*found)) >= len(found):
            return line, tuple(token for token in tokens if any(token in f for f in found))
    return None


def guess_from_name(file_name: str) -> StemGuess:
    """Guess the code and the role of a stem from the words in its file name.

    The name itself is asked first, then the folders above it, nearest first. ``file_name`` uses
    ``/`` between folders and is kept as it is.
    """
    path = PurePosixPath(file_name)
    places = [path.stem, *(p.name for p in path.parents if p.name)]
    own = frozenset(_tokens(places[0]))
    for place in places:
        tokens = _tokens(place)
        hit = _match(tokens)
        if hit is None:
            continue
        line, words = hit
        code = line.code + next(filter(None, (_number_after(tokens, word) for word in words)), "")
        code += "L" if own & _LEFT else "R" if own & _RIGHT else ""
        said = " ".join(dict.fromkeys(words))
        where = "the name" if place is places[0] else "the folder's name"
        return StemGuess(
            file=file_name,
            code=code,
            role=line.role,
            because=f"{where} says {said}",
            several_notes=line.several_notes,
        )
    words_of = [t for t in name_parts(path.stem) if t.isascii() and t.isalpha() and len(t) > 1]
    telling = [t for t in words_of if t not in _EMPTY_WORDS]
    code = telling[0][:3].upper() if telling else "P"
    if code.lower() in RESERVED_CODES:
        code = "P"
    return StemGuess(
        file=file_name, code=code, role=None, because="nothing in the name says what it is"
    )


def with_uprights(guesses: Sequence[StemGuess]) -> tuple[StemGuess, ...]:
    """Say of each file called upright and no more what it is: the bass, where no other name is."""
    if any(guess.role in ("bass-fretted", "bass-fretless") for guess in guesses):
        return tuple(guesses)
    return tuple(
        replace(guess, role="bass-fretless", because=f"{guess.because}, and no other name a bass")
        if guess.code.startswith("UPR")
        else guess
        for guess in guesses
    )


def _number_after(tokens: Sequence[str], word: str) -> str:
    """Give the number straight behind the word that said what the stem is: BV 2 is BV2."""
    at = tokens.index(word) + 1
    if at < len(tokens) and tokens[at].isdigit() and len(tokens[at]) <= 2:
        return str(int(tokens[at]))
    return ""


# Chosen; they only sort unnamed stems into likely kinds, and a person goes over every guess.
UNPITCHED_BELOW_SHARE = 0.2
BASS_BELOW_HZ = 110.0  # A2: a bass line lies mostly below, a guitar or voice mostly above


def guess_from_sound(median_hz: float | None, pitched_share: float | None) -> Role | None:
    """Guess a role from what a stem sounds like, where its name says nothing.

    median_hz: median pitch of its pitched frames.
    pitched_share: share of its sounding time that is pitched, 0..1.

    None where too little is known.
    """
    if pitched_share is None:
        return None
    if pitched_share < UNPITCHED_BELOW_SHARE:
        return "exclude"
    if median_hz is None:
        return None
    return "bass-fretted" if median_hz < BASS_BELOW_HZ else "lead-voice"
