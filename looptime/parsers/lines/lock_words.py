"""Lines of who asks for a lock, has it and lets it go, in any words, brought to calls."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise, permutations

from looptime.errors import LogError
from looptime.parsers.columns.lexicon import tokens
from looptime.parsers.layouts.edge_words import WORDS
from looptime.parsers.layouts.lock_events import FREED, HAD, MISSED, WANTED, lock_side
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import Grid, is_text
from looptime.parsers.lines.stamped_words import RUNS, stamped, threads_first, worded
from looptime.parsers.text.dialect import is_number
from looptime.records import dataclass

__all__ = ["lock_calls"]

#: Where in its turn a word stands: it is waited, then the call is under way, then it is over.
_FIRST, _UNDER_WAY, _LAST = 0, 1, 2
_RANK = {WANTED: _FIRST, BEGIN: _UNDER_WAY, HAD: _UNDER_WAY, END: _LAST, FREED: _LAST,
         MISSED: _LAST}  # fmt: skip
_MORE: dict[str, int] = {
    **dict.fromkeys(("req", "ask", "asking", "queue", "queued", "pending", "blocked", "blocking",
                     "acquiring", "requesting", "locking", "wartet", "warten", "will", "anfrage",
                     "angefragt", "fordert", "espera", "esperando", "pide", "solicita"), WANTED),
    **dict.fromkeys(("hold", "holds", "holding", "own", "owns", "acq", "enters", "gets", "get",
                     "belegt", "bekommen", "erhalten", "gesperrt", "nimmt", "obtiene", "obtenido",
                     "bloquea", "bloqueado", "toma", "tomado", "tiene"), HAD),
    **dict.fromkeys(("rel", "drop", "drops", "dropped", "gives", "gave", "returns", "unlocking",
                     "releasing", "put", "left", "frei", "freigegeben", "freigabe", "entsperrt",
                     "libera", "liberado", "suelta", "desbloquea", "desbloqueado"), FREED),
    **dict.fromkeys(("beginn", "beginnt", "anfang", "inicio", "empieza", "comienza"), BEGIN),
    **dict.fromkeys(("ende", "endet", "fertig", "fin", "termina", "acaba"), END),
}  # fmt: skip
_OBJECTS = frozenset(("lock", "mutex", "semaphore", "sem", "bus", "sperre", "cerrojo", "candado"))
_WITHIN = re.compile(r"[_./-]")
#: Share of the events that come in turn, most names and words, and lines looked at.
_IN_TURN, _MOST, _WORDS, _SHOWN = 0.95, 100, 7, 4000
_PLACES = (0, 1, 2, -1, -2)


@dataclass(frozen=True)
class _Event:
    """A line, its stamp and unit, who does what, and the word for where in its turn that is."""

    line: int
    stamp: str
    unit: str | None
    thread: str
    name: str
    word: str


def lock_calls(lines: Sequence[str]) -> Grid | None:
    """Calls with their waits for locks, from asking to letting go; None of other lines.

    Raises
    ------
    LogError
        If calls overlap and no word of the lines tells threads.

    Examples
    --------
    >>> each = "cam grab want", "cam grab got", "arm lift want", "cam grab free", "arm lift got"
    >>> log = [f"{9 * k + at} {one}" for k in range(9)
    ...        for at, one in enumerate((*each, "arm lift free"))]
    >>> lock_calls(log).rows[:3]
    [['0', '3', 'grab', 'cam'], None, ['2', '5', 'lift', 'arm']]
    """
    shown = [line for line in lines[:_SHOWN] if is_text(line)]
    if len(shown) < RUNS or any(mark in line for line in shown[:RUNS] for mark in ",;\t"):
        return None  # a table, whose columns say what they hold
    order = [found[2] for line in shown if (found := stamped(line))]
    texts = set(order)
    if len(texts) > _MOST or len(order) < _IN_TURN * len(shown):
        return None
    words = {part for text in texts for word in worded(text) for part in (word, *tokens(word))}
    if not {WANTED, HAD, FREED} & set(map(_said, words)):
        return None
    refused: LogError | None = None
    for way in (_as_is, _off_the_end, _off_the_begin, _off_both_ends):
        told = _best({text: way(worded(text)) for text in texts}, order)
        if told is None:
            continue
        cast, ranks = told
        events = []
        for at, line in enumerate(lines):
            if is_text(line) and (found := stamped(line)):
                events.append(_Event(at, *found[:2], *_cast(way(worded(found[2])), *cast)))
        try:
            return _calls(list(lines), events, ranks, cast[0] is not None)
        except LogError as error:
            refused = error
    if refused is not None:
        raise refused
    return None


def _as_is(words: list[str]) -> list[str]:
    return words


def _off_the_end(words: list[str]) -> list[str]:
    """The last word cut before its last piece: ``gyro_read_locked``."""
    cuts = [found.start() for found in _WITHIN.finditer(words[-1])] if words else []
    return [*words[:-1], words[-1][: cuts[-1]], words[-1][cuts[-1] + 1 :]] if cuts else words


def _off_the_begin(words: list[str]) -> list[str]:
    """The last word cut behind its first piece: ``locked_gyro_read``."""
    found = _WITHIN.search(words[-1]) if words else None
    cut = found.start() if found else 0
    return [*words[:-1], words[-1][:cut], words[-1][cut + 1 :]] if cut else words


def _off_both_ends(words: list[str]) -> list[str]:
    """One word cut into its first piece, its last, and what stands between."""
    cuts = [found.start() for found in _WITHIN.finditer(words[0])] if len(words) == 1 else []
    if len(cuts) < 2:
        return words
    return [words[0][: cuts[0]], words[0][cuts[0] + 1 : cuts[-1]], words[0][cuts[-1] + 1 :]]


def _said(word: str) -> int | None:
    """The side that a word or several tell, of a lock or of a call.

    Examples
    --------
    >>> _said("LOCKED") == _said("holds lock") == HAD, _said("gyro"), _said("begin") == BEGIN
    (True, None, True)
    """
    known = lock_side(word)
    if known is None and len(word) > 1:
        known = WORDS.get(word.lower())
    if known is not None:
        return known
    parts = [part.lower() for part in tokens(word)]
    parts = [part for part in parts if part not in _OBJECTS] or parts
    alone = parts[0] if len(parts) == 1 else ""
    return _MORE.get(alone, WORDS.get(alone) if len(alone) > 1 else None)


_Cast = tuple[int | None, int]


def _cast(words: list[str], thread: int | None, name: int) -> tuple[str, str, str]:
    """Thread, name and the rest of a line's words; empty where it has too few of them."""
    width = len(words)
    places = [at % width if -width <= at < width else -1 for at in (thread, name) if at is not None
              ] if width else [-1]  # fmt: skip
    if -1 in places or len(set(places)) < len(places):
        return "", "", ""
    rest = " ".join(word for at, word in enumerate(words) if at not in places).lower()
    return "" if thread is None else words[places[0]], words[places[-1]], rest


def _best(split: dict[str, list[str]], order: list[str]) -> tuple[_Cast, dict[str, int]] | None:
    """The places of thread and name whose other words come in turn, and where each stands."""
    casts: list[_Cast] = [*permutations(_PLACES, 2), *((None, at) for at in _PLACES)]
    for thread, name in casts:
        made = {text: _cast(words, thread, name) for text, words in split.items()}
        every = set(made.values())
        words = {word for *_, word in every}
        if len(words) > _WORDS or any(not name or not word for _, name, word in every):
            continue
        if any(_said(name) in (BEGIN, END) for _, name, _ in every):
            continue
        if thread is not None and not _are_threads(
            [(one, of) for one, of, _ in every], thread, name
        ):
            continue
        ranks = _ranks([made[text] for text in order], words)
        if ranks is not None:
            return (thread, name), ranks
    return None


def _are_threads(pairs: list[tuple[str, str]], thread: int, name: int) -> bool:
    """Whether the word at `thread` may be whose the calls at `name` are: it is the coarser one."""
    threads, names = ({pair[side] for pair in pairs} for side in (0, 1))
    ahead = (thread < name) == ((thread < 0) == (name < 0))
    unlike = len(threads) != len(names)
    return threads_first(pairs) and (unlike or ahead) and len(threads) > 1


def _ranks(events: list[tuple[str, str, str]], words: set[str]) -> dict[str, int] | None:
    """Where in its turn each word stands; None where words do not take turns, name by name.

    Of three words in turn one may be any; of two both must be known.
    """
    said = {word: side for word in words if (side := _said(word)) is not None}
    if not {WANTED, HAD, FREED} & set(said.values()):
        return None
    last: dict[tuple[str, str], str] = {}
    follows: dict[tuple[str, str], Counter[tuple[str, str]]] = {}
    for thread, name, word in events:
        key = thread, name
        if said.get(word) == MISSED:
            last.pop(key, None)
            continue
        if key in last:
            follows.setdefault(key, Counter())[last[key], word] += 1
        last[key] = word
    ranks: dict[str, int] = {word: _RANK[side] for word, side in said.items() if side in _RANK}
    good = total = 0
    for steps in follows.values():
        turn = dict(pair for pair, _ in reversed(steps.most_common()))
        good += sum(steps[pair] for pair in turn.items())
        total += steps.total()
        if (
            len(turn) not in (2, 3)
            or set(turn) != set(turn.values())
            or any(one == other for one, other in turn.items())
        ):
            return None
        if len(turn) == 3:
            _ask_first(turn, ranks)
        unknown = [word for word in turn if word not in ranks]
        if len(unknown) > (len(turn) == 3):
            return None
        for word in unknown:
            ranks[word] = ({_FIRST, _UNDER_WAY, _LAST} - {ranks.get(w) for w in turn}).pop()
        if not _goes_on(turn, ranks):
            return None
    return ranks if total and good >= _IN_TURN * total else None


def _ask_first(turn: dict[str, str], ranks: dict[str, int]) -> None:
    """Of two words for having a lock, take the one behind letting go for asking, in place."""
    had = [word for word in turn if ranks.get(word) == _UNDER_WAY]
    after = [turn[word] for word in turn if ranks.get(word) == _LAST]
    if len(had) == 2 and len(after) == 1 and after[0] in had:
        ranks[after[0]] = _FIRST


def _goes_on(turn: dict[str, str], ranks: dict[str, int]) -> bool:
    """Whether each word is followed by the one after it, and the last by the first."""
    order = sorted(turn, key=lambda word: ranks[word])
    rising = all(ranks[one] < ranks[other] for one, other in pairwise(order))
    return (
        rising
        and ranks[order[-1]] == _LAST
        and all(turn[one] == other for one, other in pairwise([*order, order[0]]))
    )


def _calls(
    lines: list[str], events: list[_Event], ranks: dict[str, int], threads: bool
) -> Grid | None:
    """One call a turn, on the line of its first word; None where the names may be those of locks.

    Such are locks that calls of several threads take within them, which columns tell apart, or that
    are handed over from one to the other.
    """
    grid = Grid(lines, [None] * len(lines), ["start", "end", "name", *["thread"] * threads])
    grid.units = [events[0].unit] * 2 + [None] * (1 + threads)
    begins, frees = ({word for word in ranks if _said(word) == side} for side in (BEGIN, FREED))
    across: Counter[tuple[str, str]] = Counter()
    within, takers = Counter[bool](), defaultdict[str, set[str]](set)
    turns = []
    for turn, beside in _turns(events, ranks, grid.aside):
        first, last = turn[0], turn[-1]
        across.update((last.name, one.name) for one in beside if one.line > first.line)
        if last.word in frees:
            takers[last.name].add(last.thread)
            within[any(one.word in begins for one in beside)] += 1
        row = [first.stamp, last.stamp, last.name]
        grid.rows[first.line] = [*row, last.thread] if threads else row
        grid.folded += [(one.line, first.line) for one in turn[1:]]
        turns.append(turn)
    if within[True] > within[False] and max(map(len, takers.values())) > 1:
        return None
    if across.total() > (1 - _IN_TURN) * len(events) / 3:
        if threads or all(_OBJECTS & set(tokens(word)) for word in ranks):
            return None
        mine, others = across.most_common(1)[0][0]
        raise LogError(
            f"{mine!r} and {others!r} take and free locks across each other, as no thread does, "
            "and no word says which thread it is: write it in every line, such as "
            f"'{events[0].stamp} main {events[0].name} {events[0].word}'",
            line=events[0].line + 1,
        )
    grid.notes += _shares_waited(turns)
    return grid


def _turns(
    events: list[_Event], ranks: dict[str, int], aside: list[tuple[int, str]]
) -> Iterator[tuple[list[_Event], list[_Event]]]:
    """Each turn when it ends, and the first events of those of its thread then under way.

    What belongs to no whole turn is set aside.
    """
    under_way: dict[tuple[str, str], list[_Event]] = {}
    for event in events:
        key, rank = (event.thread, event.name), ranks.get(event.word)
        if rank is None:
            continue
        turn = under_way.get(key)
        if turn is None and rank == _LAST:
            aside.append((event.line, "end without begin"))
            continue
        if turn is not None and rank <= ranks[turn[-1].word]:
            aside += [(one.line, "begin without end") for one in under_way.pop(key)]
            turn = None
        turn = under_way.setdefault(key, []) if turn is None else turn
        turn.append(event)
        if rank == _LAST:
            del under_way[key]
            yield turn, [one[0] for one in under_way.values() if one[0].thread == event.thread]
    aside += [(one.line, "begin without end") for turn in under_way.values() for one in turn]


def _shares_waited(turns: list[list[_Event]]) -> list[str]:
    """What is said of how much of each call's time is the wait for its lock."""
    waited, lasted = defaultdict[str, float](float), defaultdict[str, float](float)
    for turn in turns:
        at = [float(one.stamp) for one in turn if is_number(one.stamp)]
        if len(at) == 3:
            waited[turn[0].name] += at[1] - at[0]
            lasted[turn[0].name] += at[2] - at[0]
    told = [f"{name} {100 * waited[name] / lasted[name]:.0f} %" for name in lasted if lasted[name]]
    said = "of the time that calls last, this much is from asking for a lock to having it: "
    return [said + ", ".join(told)] if told else []
