"""Records behave as the dataclasses of the library do, whose methods they do not compile."""

import copy
import dataclasses
import inspect
import pickle
from dataclasses import field

import pytest

from looptime.records import dataclass


@dataclass(frozen=True)
class Ours:
    """A record with every kind of field that is in use."""

    name: str
    value: float = 2.0
    rows: list[int] = field(default_factory=list, repr=False, compare=False)
    level: float = field(default=0.95, kw_only=True)


@dataclasses.dataclass(frozen=True)
class Theirs:
    """The same, of the library."""

    name: str
    value: float = 2.0
    rows: list[int] = field(default_factory=list, repr=False, compare=False)
    level: float = field(default=0.95, kw_only=True)


@dataclass
class Counter:
    """A record that may change, with a value that follows from another."""

    at: int
    twice: int = field(init=False)

    def __post_init__(self) -> None:
        self.twice = 2 * self.at


GIVEN = [
    (("a",), {}),
    (("a", 1.0), {"level": 0.5}),
    ((), {"value": 3.0, "name": "b"}),
    (("a", 1.0, [4]), {}),
]
REFUSED = [((), {}), (("a", 1.0, [], 0.9), {}), (("a",), {"name": "b"}), (("a",), {"other": 1})]


@pytest.mark.parametrize(("args", "named"), GIVEN)
def test_records_hold_and_show_what_dataclasses_do(args: tuple, named: dict) -> None:
    """Values, their order, text, hash, replacement and the table of fields are the library's."""
    ours, theirs = Ours(*args, **named), Theirs(*args, **named)
    assert list(vars(ours).items()) == list(vars(theirs).items())
    assert repr(ours) == repr(theirs).replace("Theirs", "Ours")
    assert hash(ours) == hash(theirs)
    assert dataclasses.asdict(ours) == dataclasses.asdict(theirs)
    changed = dataclasses.replace(ours, value=7.0)
    assert vars(changed) == vars(dataclasses.replace(theirs, value=7.0))
    assert changed != ours


@pytest.mark.parametrize(("args", "named"), REFUSED)
def test_records_refuse_what_dataclasses_refuse(args: tuple, named: dict) -> None:
    """Too few, too many, twice and unknown: a TypeError in both."""
    for kind in (Ours, Theirs):
        with pytest.raises(TypeError):
            kind(*args, **named)


def test_equal_only_among_their_own_kind_and_by_the_fields_that_count() -> None:
    """Fields left out of comparisons do not tell two apart; another class does."""
    assert Ours("a", rows=[1]) == Ours("a", rows=[2])
    assert Ours("a") != Ours("b")
    assert Ours("a") != Theirs("a")


def test_each_gets_a_list_of_its_own() -> None:
    """A default that is made anew is not shared."""
    assert Ours("a").rows is not Ours("a").rows


def test_frozen_records_refuse_to_change_and_travel_whole() -> None:
    """Assignment and deletion raise; pickles and copies are equal."""
    one = Ours("a", 1.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.value = 3.0  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        del one.value
    assert pickle.loads(pickle.dumps(one)) == copy.deepcopy(one) == one


def test_others_change_and_have_no_hash() -> None:
    """A record that is not frozen is filled in, may change, and cannot be a key."""
    one = Counter(4)
    assert one.twice == 8
    one.at = 5
    assert one.at == 5
    with pytest.raises(TypeError):
        hash(one)


def test_help_shows_the_fields() -> None:
    """The signature is that of the library's class."""
    names = list(inspect.signature(Ours).parameters)
    assert names == list(inspect.signature(Theirs).parameters)


def test_a_derived_record_has_the_fields_of_both() -> None:
    """Fields of a derived class are the library's, whichever class is asked for them first."""

    @dataclass(frozen=True)
    class Wide(Ours):
        level: float = 0.5
        width: int = 3

    @dataclasses.dataclass(frozen=True)
    class Same(Theirs):
        level: float = 0.5
        width: int = 3

    told = [(f.name, f.type, f.default, f.compare) for f in dataclasses.fields(Wide)]
    assert told == [(f.name, f.type, f.default, f.compare) for f in dataclasses.fields(Same)]
    assert vars(Wide("a", 1.0, [4], 0.7)) == vars(Same("a", 1.0, [4], 0.7))
    assert dataclasses.fields(Ours) == dataclasses.fields(Ours("a"))
    assert Wide("a") == Wide("a", level=0.5) != Wide("a", width=4)
