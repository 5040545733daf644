"""Units that remarks and titles above the rows state of columns, by name or of all, in words."""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import field, replace

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.against_steps import together
from looptime.parsers.columns.bare_columns import glides
from looptime.parsers.columns.column_words import COLUMN_WORDS, by_place, counted_from
from looptime.parsers.columns.lexicon import meaning, tokens
from looptime.parsers.columns.stated_exceptions import read_exceptions
from looptime.parsers.columns.unit import is_plausible
from looptime.parsers.columns.unit_fit import fit_of, loop_ns
from looptime.parsers.text.dialect import LONGEST_REMARK, Dialect, numbers
from looptime.records import dataclass
from looptime.signal_names import of_another_unit
from looptime.units import UNITS, split_unit, word_unit

__all__ = ["in_stated_units"]

#: What parts a line into what is said of some columns each.
_PARTED = re.compile(r"[,;|()\[\]{}]|\s[-\u2013\u2014]+\s|\.(?=\s|$)|\s{3,}")
_WORD = re.compile(r"[^\s:=\"']+")
#: No unit, but a word that is cut short before others: ``imu (s. manual)``.
_CUT_SHORT = re.compile(r"(?<=[(\[,;])\s*[sm]\.\s*(?=[^\W\d_])")
#: A unit that stands by itself between marks.
_LISTED = re.compile(
    r"(?<=[,;|:])\s*(?:[num\u00b5\u03bc]?s|[num]?sec)\s*(?=[,;|]|$)", re.IGNORECASE
)
#: Seconds and parts of them in other languages, without accents.
_SECONDS = re.compile(r"(nano|mi[ck]ros?|mill?is?)?-?(?:sec|sek|seg)\w{0,6}")
_THOUSANDTHS = {"": "s", "nano": "ns", "micro": "us", "mikro": "us", "milli": "ms", "mili": "ms"}
#: Words between what is spoken of and its unit, and beside it.
_LINKS = frozenset((
    "in", "en", "em", "a", "are", "is", "as", "sind", "ist", "sono", "sont", "est", "son", "es",
    "sao", "e", "zijn", "als", "te", "ai", "il",
))  # fmt: skip
_BESIDE = frozenset((
    "the", "a", "an", "of", "and", "&", "+", "/", "und", "y", "e", "et", "en", "der", "die",
    "das", "den", "des", "le", "la", "les", "l", "el", "los", "las", "il", "lo", "gli", "i",
    "o", "os", "as", "de", "het", "del", "di", "da",
    "only", "just", "nur", "seulement", "seul", "solo", "solamente", "soltanto", "apenas", "alleen",
))  # fmt: skip
#: Words for whose unit it is, by which columns they stand for, without accents.
_WHOSE = {
    "rest": "rest remaining other others else ubrige ubrigen uebrige uebrigen reste autres resto "
            "demas demais altri altre outros outras otros otras overige overigen andere anderen",
    "all": "all everything every alle alles allen tout tous toutes todo todos todas tudo tutti "
           "tutte tutto values value werte valeurs valores valori waarden units unit einheit "
           "einheiten unite unites unidad unidades unidade unita eenheid eenheden",
    "lengths": "durations duration lengths costs cost dauer dauern laufzeit laufzeiten duree "
               "durees duracion duraciones durata durate duracao duracoes duur duren looptijden "
               "kosten couts costes custos costi",
    "times": "times timings zeiten temps tiempos tempi tempos tijden",
}  # fmt: skip
#: Of several such words the one that says most: all durations are the durations.
_NARROWER = ("rest", "lengths", "times", "all")
_KINDS = {word: kind for kind, words in _WHOSE.items() for word in words.split()}
#: What a header says of its column that a stated unit may be of.
_LENGTHS = ("whole", "period", "busy", "latency", "deviation", "setting", "duration", "bare")
#: Fewest values that tell, and the share of their steps that shows them to rise, or to count.
_FEWEST, _MOSTLY = 3, 0.9
#: What of a sum's rest its missing addends explain, and how far from one their slopes are.
_EXPLAINED, _ONE = 0.9, 0.1


@dataclass(frozen=True)
class _Said:
    """What is stated: units of columns by name, empty for none of time; and of the others.

    Also of ``some``, where nobody knows which: a unit of all is then none of theirs.
    """

    named: dict[str, str] = field(default_factory=dict)
    of: dict[str, set[str]] = field(default_factory=dict)
    #: Columns of which two units are said, and those that are named by their place.
    torn: set[str] = field(default_factory=set)
    placed: set[str] = field(default_factory=set)

    def tell(self, units: Mapping[str, str]) -> None:
        """Take down units of columns."""
        self.torn.update(name for name, unit in units.items()
                         if unit and self.named.get(name, "") not in ("", unit))  # fmt: skip
        self.named.update(units)


def in_stated_units(
    dialect: Dialect,
    above: Sequence[str],
    beside: Sequence[str] = (),
    cautions: list[str] | None = None,
) -> Dialect:
    r"""The columns of a log in the units that lines above its rows state, where they say none.

    Columns that are named have the unit that is said of them. A unit of all, of the rest, of the
    times or of the durations is that of columns which may be such by their names and values.

    Parameters
    ----------
    dialect : Dialect
        Of the log.
    above : sequence of str
        Lines above the rows that may state units.
    beside : sequence of str
        Other lines there, which may tell from where on columns are counted.
    cautions : list of str, or None
        Grows by what was stated and not taken, and by what is taken and looks wrong.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k},{900 + k % 7},12.{k % 2}\n" for k in range(60))
    >>> like = sniff("lp,t_gy,u\n" + rows, "a.csv")
    >>> in_stated_units(like, ["cart 3 - times in us"]).header
    ('lp', 't_gy [us]', 'u')
    >>> in_stated_units(like, ["# t_gy: ms; u: volts"]).header
    ('lp', 't_gy [ms]', 'u')
    """
    header = dialect.header
    if not header:
        return dialect
    cautions = [] if cautions is None else cautions
    said = _counted(dialect, [_short(line) for line in above], [_short(line) for line in beside],
                    cautions)  # fmt: skip
    _leave_misfits(dialect, said, cautions)
    made = list(header)
    for at, name in enumerate(header):
        unit = said.named.get(name)
        if unit and not split_unit(name)[1]:
            made[at] = f"{name} [{unit}]"
    open_ = [at for at, name in enumerate(header)
             if name and name not in said.named and not split_unit(name)[1]]  # fmt: skip
    kind = next((kind for kind in ("rest", "all", "lengths", "times") if said.of.get(kind)), "")
    units = said.of.get(kind, set())
    if len(units) == 1 and said.of.get("some", units) <= units:
        unit = next(iter(units))
        timed = kind == "rest" and not said.named  # what was named beside it may be the clock
        for at in _those(dialect, open_, "lengths" if timed else kind, UNITS[unit]):
            made[at] = f"{made[at]} [{unit}]"
    return dialect if made == list(header) else replace(dialect, header=tuple(made))


def _short(line: str) -> str:
    return _CUT_SHORT.sub("", _plain(line[:LONGEST_REMARK]))


def _say(lines: list[str], header: Sequence[str], base: int | None) -> _Said:
    """What lines state together, where the first column has a number."""
    said = _Said()
    for line in lines:
        short, placed = by_place(line, header, _unit, base)
        said.placed.update(placed.values())
        _read(short, {_plain(name): name for name in header if name} | placed, said)
    return said


def _counted(dialect: Dialect, above: list[str], beside: list[str], cautions: list[str]) -> _Said:
    """What lines state, with columns counted from 1 or 0: as they tell, or as fits the loop."""
    header = dialect.header or ()
    uncounted = _say(above, header, None)
    ways = {base: _say(above, header, base) for base in (1, 0)}
    numbered = {base: said.placed - uncounted.placed for base, said in ways.items()}
    if not (numbered[0] or numbered[1]):
        return ways[1]
    told = counted_from([*above, *beside], header)
    if len(told) == 1:
        return ways[told.pop()]
    for base, said in ways.items() if not told else ():
        if numbered[base] and _all_fit(dialect, said, numbered[base]):
            return said
    both = {name for base in ways for name in numbered[base]}
    uncounted.named.update(dict.fromkeys(both - {*uncounted.named}, ""))
    cautions.append(
        "lines above the rows number columns, and whether from 0 or from 1 can't be told: no unit "
        "is taken from them; put the units into the header, or name the columns (--columns)"
    )
    return uncounted


def _all_fit(dialect: Dialect, said: _Said, names: set[str]) -> bool:
    """Whether columns have one unit each, which fits them."""
    header, loop = dialect.header or (), loop_ns(dialect, said.named)
    units = {name: said.named.get(name, "") for name in names}
    return not names & said.torn and all(
        split_unit(name)[1] in (None, "", unit)
        and fit_of(dialect, header.index(name), unit, loop) == "fits"
        for name, unit in units.items() if unit
    )  # fmt: skip


def _leave_misfits(dialect: Dialect, said: _Said, cautions: list[str]) -> None:
    """Take no unit of which there are two for a column, or in which it can be none of the loop."""
    header = dialect.header or ()
    for name in sorted(said.torn, key=header.index):
        said.named[name] = ""
        cautions.append(f"lines above the rows say two units of {name}: none is taken")
    loop = loop_ns(dialect, said.named)
    for at, name in enumerate(header):
        unit = said.named.get(name)
        if not unit or split_unit(name)[1]:
            continue
        placed, fit = name in said.placed, fit_of(dialect, at, unit, loop)
        if fit == "none" and (placed or meaning(name) != "clock"):
            said.named[name] = ""
            what = "does not fit the loop, and is not taken"
        elif fit == "another" and placed:
            what = "is far from what is usual beside the loop: check it"
        else:
            continue
        cautions.append(f"the unit said of {name} above the rows, {unit}, {what}")


def _read(line: str, names: dict[str, str], said: _Said) -> None:
    """Take down what a line says, clause by clause; names wait for the unit that comes."""
    if len(_LISTED.findall(line)) > 1:
        return  # a unit for each column in turn, as `sniff` reads them
    if (but := read_exceptions(line, names, _unit)) is not None:
        said.tell(but.named)
        if but.rest:
            said.of.setdefault("rest", set()).add(but.rest)
        return
    waiting: list[str] = []
    kind, others = "", 0
    for text in _PARTED.split(line.lstrip(" #/%;*!-")):
        words = _WORD.findall(text)
        unit = _unit(words[-1]) if words else None
        who = [_plain(word) for word in (words[:-1] if unit else words)]
        while unit and who and who[-1] in _LINKS and who[-1] not in names:
            who.pop()
        kinds = [_KINDS[word] for word in who if word in _KINDS]
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


def _named(text: str, names: dict[str, str]) -> list[str]:
    """The columns that words name, if they speak of nothing else."""
    whole = _plain(text)
    if whole in names:
        return [names[whole]]
    words = [_plain(word) for word in _WORD.findall(text)]
    left = [word for word in words if word in names or word not in _BESIDE | COLUMN_WORDS]
    return [names[word] for word in left] if all(word in names for word in left) else []


def _plain(text: str) -> str:
    """A text in lower case without accents, quotes and blanks around it."""
    apart = unicodedata.normalize("NFKD", text.strip(" \t\"'").casefold())
    return "".join(letter for letter in apart if not unicodedata.combining(letter))


def _unit(word: str) -> str | None:
    """The unit of time that a word is, in any of the languages.

    Examples
    --------
    >>> _unit("\u00b5s"), _unit("Millisekunden"), _unit("milissegundos"), _unit("sensor")
    ('us', 'ms', 'ms', None)
    """
    if (known := word_unit(word)) is not None:
        return known
    found = _SECONDS.fullmatch(_plain(word))
    return None if found is None else _THOUSANDTHS[(found[1] or "").rstrip("s")]


def _those(dialect: Dialect, open_: list[int], kind: str, ns: int) -> list[int]:
    """Of columns without a unit, those that a unit of the times, or of all, is the unit of."""
    header, made, signals = dialect.header or (), [], []
    for at in open_:
        means, values = meaning(header[at]), numbers(dialect, at)
        words = tokens(header[at])
        if _counts(values) or not np.isfinite(values).any():
            continue
        if means == "clock":
            made += [at] if kind != "lengths" and is_plausible(np.diff(values), ns) else []
        elif means == "bare" or (len(words) > 1 and words[0] in ("t", "dt") and means == "signal"):
            made += [at] if _may_last(values) else []
        elif means in _LENGTHS and not of_another_unit(header[at]):
            made.append(at)
        elif means == "signal" and _may_last(values):
            signals.append(at)
    lengths = {at: numbers(dialect, at) for at in made if meaning(header[at]) != "clock"}
    broken = [at for at, values in lengths.items()
              if meaning(header[at]) == "bare" and (values % 1 > 0).any()]  # fmt: skip
    if 2 * len(broken) < len(lengths):  # beside whole numbers, one with a fraction is another unit
        made = [at for at in made if at not in broken]
    return sorted(made + _in_a_sum(lengths, {at: numbers(dialect, at) for at in signals}))


def _in_a_sum(lengths: dict[int, Float], signals: dict[int, Float]) -> list[int]:
    """Columns that are named like signals and that, row for row, a sum of lengths lacks."""
    if len(lengths) < _FEWEST - 1 or not signals:
        return []
    longest = max(lengths, key=lambda at: float(np.nanmedian(lengths[at])))
    rest = 2 * lengths[longest] - np.sum(list(lengths.values()), axis=0)
    fit = together(np.stack(list(signals.values()), axis=1), rest)
    if fit is None or fit.explained < _EXPLAINED or len(fit.slope) != len(signals):
        return []
    return [at for at, by in zip(signals, fit.slope.tolist(), strict=True) if abs(by - 1) < _ONE]


def _may_last(values: Float) -> bool:
    """Whether values may be lengths of time: not below zero, and neither rising nor gliding."""
    known = values[np.isfinite(values)]
    if len(known) < _FEWEST or (known < 0).any() or len(np.unique(known)) < _FEWEST:
        return False
    rises = (np.diff(known) >= 0).mean() > _MOSTLY
    return not rises and not glides(known)


def _counts(values: Float) -> bool:
    """Whether values count rows, or the loops that those are of."""
    step = np.diff(values)
    ones = (step == 0) | (step == 1)
    return len(step) >= _FEWEST and float(ones.mean()) > _MOSTLY and bool((step == 1).any())
