"""Patterns that are held against a log's text take time that grows with it as a line does.

Where two repetitions that take the same letters meet, with nothing between them that must be
there, a long row of such letters is divided between them in every way before a match fails. Where
two ways that begin alike stand in a repetition, each of its rounds is tried in both, and twenty in
a million.
"""

import importlib
import pkgutil
import re
from typing import Any

import pytest

import looptime

parser = importlib.import_module("re._parser")
code = importlib.import_module("re._constants")
#: Those whose text is short, or is cut before: headers, cells, remarks.
SHORT = {
    "looptime.parsers.lines.begun_at": {"_LOOP", "_CALL"},
    "looptime.parsers.lines.counted": {"_EACH", "_PROCESSOR"},
    "looptime.parsers.lines.indented": {"_TITLE"},
    "looptime.parsers.lines.other_times": {"MULTIPLE"},
    "looptime.parsers.lines.spelled": {"_UNIT"},
    "looptime.parsers.text.block": {"_LIMIT"},
    "looptime.parsers.text.described": {"_LINE"},
    "looptime.parsers.text.dialect": {"_CLOCK"},
    "looptime.parsers.text.listed_units": {"_LIST", "_PAIR", "_IN"},
    "looptime.parsers.text.phase_marks": {"_KEYED"},
    "looptime.stated_pace": {"_BEFORE", "_AFTER"},
    "looptime.units": {"_BRACKETED", "_SUFFIXED", "_A_SECOND", "_PREFIXED"},
}
LETTERS = [*map(chr, range(32, 127)), "\t", "\n", "\N{MICRO SIGN}"]
Items = Any  # what the standard library's parser makes of a pattern


def letters(items: Items) -> set[str] | None:
    """The letters that a repetition takes, one each time; None where it takes more than one."""
    items = list(items)
    if len(items) != 1:
        return None
    word, what = items[0]
    if word is code.SUBPATTERN:
        return letters(what[3])
    if word not in (code.LITERAL, code.NOT_LITERAL, code.ANY, code.IN):
        return None
    taken = re.compile(_source(word, what))
    return {letter for letter in LETTERS if taken.fullmatch(letter)}


def _source(word: Any, what: Any) -> str:
    """One letter of a pattern as the text of one."""
    if word is code.ANY:
        return "."
    if word is code.LITERAL:
        return re.escape(chr(what))
    if word is code.NOT_LITERAL:
        return f"[^{re.escape(chr(what))}]"
    classes = {code.CATEGORY_DIGIT: r"\d", code.CATEGORY_NOT_DIGIT: r"\D",
               code.CATEGORY_SPACE: r"\s", code.CATEGORY_NOT_SPACE: r"\S",
               code.CATEGORY_WORD: r"\w", code.CATEGORY_NOT_WORD: r"\W"}  # fmt: skip
    inside = ""
    for kind, one in what:
        inside += (
            "^" if kind is code.NEGATE
            else re.escape(chr(one)) if kind is code.LITERAL
            else f"{re.escape(chr(one[0]))}-{re.escape(chr(one[1]))}" if kind is code.RANGE
            else classes[one]
        )  # fmt: skip
    return f"[{inside}]"


def may_be_nothing(item: Any) -> bool:
    """Whether an item of a pattern matches where nothing is."""
    word, what = item
    if word in (code.AT, code.ASSERT, code.ASSERT_NOT):
        return True
    if word in (code.MAX_REPEAT, code.MIN_REPEAT, code.POSSESSIVE_REPEAT):
        return bool(what[0] == 0) or all(map(may_be_nothing, what[2]))
    if word is code.BRANCH:
        return any(all(map(may_be_nothing, way)) for way in what[1])
    return word is code.SUBPATTERN and all(map(may_be_nothing, what[3]))


def meet(items: Items) -> bool:
    """Whether two endless repetitions of a pattern meet that take the same letters."""
    before: list[set[str]] = []
    for item in _unwrapped(items):
        word, what = item
        repeated = word in (code.MAX_REPEAT, code.MIN_REPEAT)
        inside = [what[2]] if repeated else what[1] if word is code.BRANCH else []
        taken = letters(what[2]) if repeated and what[1] is code.MAXREPEAT else None
        if any(map(meet, inside)) or any(taken & other for other in before if taken):
            return True
        before = before if may_be_nothing(item) else []
        before += [taken] if taken else []
    return False


def _unwrapped(items: Items) -> Items:
    for item in items:
        yield from _unwrapped(item[1][3]) if item[0] is code.SUBPATTERN else [item]


def begins(items: Items) -> set[str]:
    """The letters with which a text may begin that fits."""
    taken: set[str] = set()
    for item in items:
        word, what = item
        if word is code.SUBPATTERN:
            taken |= begins(what[3])
        elif word is code.ATOMIC_GROUP:
            taken |= begins(what)
        elif word is code.BRANCH:
            taken |= set().union(*map(begins, what[1]))
        elif word in (code.MAX_REPEAT, code.MIN_REPEAT, code.POSSESSIVE_REPEAT):
            taken |= begins(what[2])
        elif word not in (code.AT, code.ASSERT, code.ASSERT_NOT):
            taken |= letters([item]) or set(LETTERS)  # a group that is named again may be anything
        if not may_be_nothing(item):
            break
    return taken


def alike(items: Items, again: bool = False) -> bool:
    """Whether two ways of a repetition's round begin alike and have no end that is set."""
    for word, what in _unwrapped(items):
        if word is code.ATOMIC_GROUP:  # what it took is not tried in another way
            if alike(what):
                return True
            continue
        repeats = word in (code.MAX_REPEAT, code.MIN_REPEAT)
        inside = [what[2]] if repeats else what[1] if word is code.BRANCH else []
        rounds = again or (repeats and what[1] > 1)
        if word is code.BRANCH and again:
            endless = [begins(way) for way in what[1] if _is_endless(way)]
            if any(one & other for at, one in enumerate(endless) for other in endless[:at]):
                return True
        if any(alike(one, rounds) for one in inside):
            return True
    return False


def _is_endless(items: Items) -> bool:
    repeated = (code.MAX_REPEAT, code.MIN_REPEAT, code.POSSESSIVE_REPEAT)
    return any(
        (word in repeated and (what[1] is code.MAXREPEAT or _is_endless(what[2])))
        or (word is code.BRANCH and any(map(_is_endless, what[1])))
        for word, what in _unwrapped(items)
    )


def patterns() -> list[tuple[str, str, re.Pattern[Any]]]:
    """Every pattern that a module of the package keeps under a name."""
    names = [found.name for found in pkgutil.walk_packages(looptime.__path__, "looptime.")]
    modules = [importlib.import_module(name) for name in names if not name.endswith("__main__")]
    return [
        (module.__name__, name, value)
        for module in modules
        for name, value in vars(module).items()
        if isinstance(value, re.Pattern)
    ]


@pytest.mark.parametrize(
    ("pattern", "told"),
    [(r"a*b?a*", True), (r"\s*,?\s*x", True), (r"(\d+)\.?(\d+)!", True), (r"x(?:y|\w+\d*)", True),
     (r"\s*(?:,\s*)?x", False), (r"\d+\.\d+", False), (r"\s+\S+", False), (r"a{1,9}a*", False)],
)  # fmt: skip
def test_repetitions_that_meet_are_seen(pattern: str, told: bool) -> None:
    """Those that take the same letters with nothing between them that must be there."""
    assert meet(parser.parse(pattern)) is told


@pytest.mark.parametrize(
    ("pattern", "told"),
    [(r"(?:\d+,?\n|[^\n]*\d\n){20}", True), (r"(?:a+|ab*)*c", True),
     (r"(?:x|(?:a+|[ab]+)c){2,}", True),
     (rb"(?:^(?:[ \t]*+(?=[-+.\d])[-+.\d,;:|\t eE]*+\r?\n"
      rb"|(?=[^\n]*\d)[^ \n,;|\t]*+[,;|\t][^ \n]*+\n)){20}", True),
     (r"(?:\d+|[a-z]+)*", False), (r"\d+|[^x]+", False), (r"(?>\d+,?\n|[^\n]*\d\n){20}", False),
     (r"(?:ab|ac)*", False)],
)  # fmt: skip
def test_ways_that_begin_alike_are_seen(pattern: str | bytes, told: bool) -> None:
    """Those of a repetition, of which more than one takes as much as there is."""
    assert alike(parser.parse(pattern)) is told


def test_no_two_repetitions_meet_that_take_the_same_letters() -> None:
    """But in patterns for short texts, each of which is still one of those."""
    known = patterns()
    assert len(known) > 150
    meeting = [(module, name, one) for module, name, one in known
               for items in [parser.parse(one.pattern, one.flags)]
               if meet(items) or alike(items)]  # fmt: skip
    short = {one for module, name, one in meeting if name in SHORT.get(module, ())}
    assert [(module, name) for module, name, one in meeting if one not in short] == []
    assert len(short) == sum(map(len, SHORT.values()))
