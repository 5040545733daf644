"""What lines above the rows say of units of time, clause by clause: whose they are, and which."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field

from looptime.parsers.columns.column_words import COLUMN_WORDS, by_place
from looptime.parsers.columns.stated_exceptions import CLOCK_WORDS, read_exceptions
from looptime.parsers.columns.unit_first import units_behind
from looptime.parsers.text.dialect import LONGEST_REMARK
from looptime.records import dataclass
from looptime.units import UNIT_WORD, spoken_unit, without_accents

__all__ = ["Said", "is_kind", "say", "short"]

#: What parts a line into what is said of some columns each.
_PARTED = re.compile(r"[,;|()\[\]{}]|\s[-\u2013\u2014]+\s|\.(?=\s|$)|\s{3,}")
_WORD = re.compile(r"[^\s:=\"']+")
#: No unit, but a word that is cut short before others: ``imu (s. manual)``.
_CUT_SHORT = re.compile(r"(?<=[(\[,;])\s*[sm]\.\s*(?=[^\W\d_])")
#: A unit that stands by itself between marks.
_LISTED = re.compile(
    r"(?<=[,;|:])\s*(?:[num\u00b5\u03bc]?s|[num]?sec)\s*(?=[,;|]|$)", re.IGNORECASE
)
#: What stands before the next of several columns, each with its unit: ``gyro=us lift=ms``.
_NEXT_PAIR = re.compile(
    r"([:=]\s*(?:\d+(?:\.\d+)?\s*)?[^\W\d_]+)(?=\s+(?:[/+&]\s+)?[^\s:=]+\s*[:=])"
)
#: What is told of a clock behind its unit: ``seconds since boot``, ``Sekunden ab Start``.
_SINCE = re.compile(
    r"\s+(?:since|from|after|seit|ab|depuis|desde|apos|dal|dalla|dall|da|sinds|vanaf|od)(?!\w)"
)
_AND = re.compile(r"\s+(?:and|und|et|y|e|i|en|oraz|&)\s+")
#: Words between a unit and those whose it is, where it comes first.
_FOR = frozenset(("for", "fur", "fuer", "pour", "para", "voor", "dla"))
#: Words between what is spoken of and its unit, and beside it.
_LINKS = frozenset((
    "in", "en", "em", "a", "are", "is", "as", "sind", "ist", "sono", "sont", "est", "son", "es",
    "sao", "e", "zijn", "als", "te", "ai", "il", "w", "we", "sa", "jest", "->", "=>", "\u2192",
))  # fmt: skip
_BESIDE = frozenset((
    "the", "a", "an", "of", "and", "&", "+", "/", "und", "y", "e", "et", "en", "der", "die",
    "das", "den", "des", "le", "la", "les", "l", "el", "los", "las", "il", "lo", "gli", "i",
    "o", "os", "as", "de", "het", "del", "di", "da", "sowie",
    "only", "just", "nur", "seulement", "seul", "solo", "solamente", "soltanto", "apenas", "alleen",
))  # fmt: skip
#: Words for whose unit it is, by which columns they stand for, without accents.
_WHOSE = {
    "rest": "rest remaining other others else ubrige ubrigen uebrige uebrigen reste autres resto "
            "demas demais altri altre outros outras otros otras overige overigen andere anderen "
            "reszta pozostale",
    "all": "all allt alla everything every alle alles allen tout tous toutes todo todos todas "
           "tudo tutti tutte tutto values value werte valeurs valores valori waarden units unit "
           "einheit einheiten unite unites unidad unidades unidade unita eenheid eenheden "
           "wszystkie wszystko jednostka jednostki timeunit timeunits",
    "lengths": "durations duration lengths costs cost dauer dauern laufzeit laufzeiten duree "
               "durees duracion duraciones durata durate duracao duracoes duur duren looptijden "
               "kosten couts costes custos costi trwania part parts section sections stage "
               "stages call calls step steps teile abschnitte aufrufe schritte parties etapes "
               "appels partes etapas llamadas chamadas parti fasi chiamate delen stappen "
               "aanroepen czesci etapy",
    "times": "times timings zeiten temps tiempos tempi tempos tijden czasy",
}  # fmt: skip
#: Words beside columns that are named, and marks between these.
_NOTHING_ELSE = _BESIDE | COLUMN_WORDS | {""} | {*_WHOSE["lengths"].split()}
_JOINS = re.compile(r"[/+&]")
#: What may stand beside the words for a clock that a unit is said of.
_OF_CLOCK = CLOCK_WORDS | _BESIDE
#: Of several such words the one that says most: all durations are the durations.
_NARROWER = ("rest", "lengths", "times", "all")
_KINDS = {word: kind for kind, words in _WHOSE.items() for word in words.split()}


@dataclass(frozen=True)
class Said:
    """What is stated: units of columns by name, empty for none of time; and of the others.

    Also of ``some``, where nobody knows which: a unit of all is then none of theirs.
    """

    named: dict[str, str] = field(default_factory=dict)
    of: dict[str, set[str]] = field(default_factory=dict)
    #: Columns of which two units are said, and those that are named by their place.
    torn: set[str] = field(default_factory=set)
    placed: set[str] = field(default_factory=set)

    def unit_of(self, kinds: Sequence[str]) -> str:
        """The one unit of the first of some kinds that any is said of; empty where it is none."""
        units = next((self.of[kind] for kind in kinds if self.of.get(kind)), set())
        one = len(units) == 1 and self.of.get("some", units) <= units
        return next(iter(units)) if one else ""

    def tell(self, units: Mapping[str, str]) -> None:
        """Take down units of columns."""
        self.torn.update(name for name, unit in units.items()
                         if unit and self.named.get(name, "") not in ("", unit))  # fmt: skip
        self.named.update(units)


def short(line: str) -> str:
    """A line as it is asked: plain, and without words that are cut short."""
    return _CUT_SHORT.sub("", _plain(line[:LONGEST_REMARK]))


def say(lines: list[str], header: Sequence[str], base: int | None) -> Said:
    """What lines state together, where the first column has a number."""
    said = Said()
    for line in lines:
        asked, placed = by_place(line, header, spoken_unit, base)
        said.placed.update(placed.values())
        _read(asked, {_plain(name): name for name in header if name} | placed, said)
    return said


def _read(line: str, names: dict[str, str], said: Said) -> None:
    """Take down what a line says, clause by clause; names wait for the unit that comes."""
    if len(_LISTED.findall(line)) > 1:
        return  # a unit for each column in turn, as `sniff` reads them
    if (but := read_exceptions(line, names, spoken_unit)) is not None:
        said.tell(but.named)
        if but.rest:
            said.of.setdefault("rest", set()).add(but.rest)
        return
    waiting: list[str] = []
    kind, others = "", 0
    line = units_behind(line, names, spoken_unit)
    for text in _clauses(line.lstrip(" #/%;*!-")):
        words = _WORD.findall(text)
        unit = spoken_unit(words[-1]) if words else None
        who = [_plain(word) for word in (words[:-1] if unit else words)]
        while unit and who and who[-1] in _LINKS and who[-1] not in names:
            who.pop()
        kinds = _kinds(who, names)
        if (
            unit
            and not kinds
            and not (COLUMN_WORDS.isdisjoint(who) or _named(" ".join(who), names))
        ):
            said.of.setdefault("some", set()).add(unit)
        if not words or (unit and who and who[-1][-1:].isdigit()):
            continue
        before, *behind = re.split(r"[:=]", text, maxsplit=1)
        mine = _named(before, names) if behind else []
        told = bool(mine and _WORD.search(behind[0]))
        called = told and bool(_named(behind[0], names))  # its name, and nothing of its values
        mine = mine or _named(" ".join(who), names)
        if mine:
            waiting, kind, others = [*([] if others else waiting), *mine], "", 0
        elif who:
            kind = next((kind for kind in _NARROWER if kind in kinds), "")
            if not kind and set(who) <= _OF_CLOCK and not CLOCK_WORDS.isdisjoint(who):
                kind = "clock"
            others += 1
            waiting = waiting if others < 2 or unit else []
        if unit or (told and not called):
            said.tell(dict.fromkeys(waiting, unit or ""))
        if unit and kind and (kind == "rest" or not waiting):
            said.of.setdefault(kind, set()).add(unit)
        if unit:
            waiting, kind, others = [], "", 0
        elif told:
            others = 1


def _clauses(line: str) -> Iterator[str]:
    """What a line says of some columns each, with the unit behind them where it says one.

    Examples
    --------
    >>> list(_clauses("durations in ms and time in s since boot; us for the parts"))
    ['durations in ms', 'time in s', ' the parts in us']
    """
    for text in _PARTED.split(_NEXT_PAIR.sub(r"\1;", line)):
        at = 0
        for found in _AND.finditer(text):
            if _ends_in_unit(text[at : found.start()]) and UNIT_WORD.search(text, found.end()):
                yield _in_order(text[at : found.start()])
                at = found.end()
        yield _in_order(text[at:])


def _ends_in_unit(text: str) -> bool:
    words = _WORD.findall(_without_tail(text))
    return bool(words) and spoken_unit(words[-1]) is not None


def _without_tail(text: str) -> str:
    """A clause without what it says of a clock's zero behind the unit."""
    for found in _SINCE.finditer(text):
        words = _WORD.findall(text[: found.start()])
        if words and spoken_unit(words[-1]):
            return text[: found.start()]
    return text


def _in_order(text: str) -> str:
    """A clause with the unit behind those whose it is."""
    text = _without_tail(text)
    words = text.split(maxsplit=2)
    first = len(words) == 3 and words[1] in _FOR and spoken_unit(words[0]) is not None
    return f" {words[2]} in {words[0]}" if first and not UNIT_WORD.search(words[2]) else text


def _kinds(who: list[str], names: Mapping[str, str]) -> list[str]:
    """The kinds that words stand for, or the parts of one: ``time_unit``."""
    made = []
    for word in who:
        parts = [word] if word in names else re.split(r"[_.]", word)
        known = all(part in _KINDS or part in CLOCK_WORDS for part in parts)
        made += [_KINDS[part] for part in parts if known and part in _KINDS]
    return made


def is_kind(name: str) -> bool:
    """Whether a name is a word for whose unit it is, as the key ``time_unit``."""
    return bool(_kinds([_plain(name)], {}))


def _named(text: str, names: dict[str, str]) -> list[str]:
    """The columns that words name, if they speak of nothing else."""
    whole = _plain(text)
    if whole in names:
        return [names[whole]]
    words = [_plain(word) for word in _WORD.findall(text)]
    words = [one for word in words for one in ([word] if word in names else _JOINS.split(word))]
    left = [word for word in words if word in names or word not in _NOTHING_ELSE]
    return [names[word] for word in left] if all(word in names for word in left) else []


def _plain(text: str) -> str:
    """A text in lower case without accents, quotes and blanks around it."""
    return without_accents(text.strip(" \t\"'").casefold())
