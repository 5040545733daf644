"""Words explain themselves, with the figures of a log where they have any."""

import pytest

from looptime.guide.glossary import WORDS, figures_of, find, why_none


def test_every_form_leads_to_one_word() -> None:
    """No form stands for two words, and each text is a sentence."""
    seen: dict[str, str] = {}
    for word in set(WORDS.values()):
        for form in {word.name.lower(), *(f.lower() for f in word.also)}:
            assert seen.setdefault(form, word.name) == word.name, form
        assert word.text[0].isupper() or word.text[0].isdigit()
        assert word.text.endswith((".", ")"))
        assert len(word.text) < 320


@pytest.mark.parametrize(
    ("asked", "name"),
    [
        ("P99", "p99"),
        ("overruns", "overrun"),
        ("calls_per_loop", "a loop"),
        ("Typical  loop", "typical loops"),
    ],
)
def test_case_number_and_underlines_do_not_matter(asked: str, name: str) -> None:
    """A word is found as it may be typed."""
    found = find(asked)
    assert found is not None
    assert found.name == name


@pytest.mark.parametrize(
    ("word", "run", "says"),
    [("headroom", {"pacing": {"mode": "fixed rate"}}, "named wait"),
     ("work", {"pacing": {"mode": None}}, "pacing unknown"),
     ("headroom", {"pacing": {"mode": "free-running"}}, "waits for nothing"),
     ("overrun", {}, "--budget-ms"), ("p99", {}, "an instant in each loop"),
     ("in slow", {"calls": []}, "times no calls"),
     ("waiting", {"calls": [{"name": "gyro"}]}, "other threads"),
     ("reading age", {}, "sensor read"), ("caution", {}, "no one figure")],
)  # fmt: skip
def test_a_figure_that_a_log_lacks_is_told_with_the_reason(
    word: str, run: dict[str, object], says: str
) -> None:
    """And with what to do for it; a word without figures says that."""
    at = find(word)
    assert at is not None
    assert figures_of(at, {}, run) == []
    assert says in why_none(at, run)


@pytest.mark.parametrize("word", ["act", "look", "fine", "note", "caution", "mind", "made up",
                                  "mean square", "signal"])  # fmt: skip
def test_words_that_stand_before_sentences_are_explained(word: str) -> None:
    """As those of the tables are."""
    assert find(word) is not None


def test_figures_are_those_of_the_document() -> None:
    """Values with their units, by hand; what a log does not have is left out."""
    run = {
        "overruns": {"budget_ms": 20.0, "count": 1234, "share": 0.0125, "time_share": None},
        "pacing": {"mode": "fixed rate", "nominal_hz": 50.0},
    }
    at = find("overrun")
    assert at is not None
    assert figures_of(at, {}, run) == [
        ("overruns count", "1,234"), ("overruns share", "1.25 %"),
    ]  # fmt: skip
    paced = find("pacing")
    assert paced is not None
    assert figures_of(paced, {}, run) == [
        ("pacing mode", "fixed rate"), ("pacing nominal", "50 loops a second"),
    ]  # fmt: skip
    tick = find("tick")
    assert tick is not None
    assert figures_of(tick, {"clock": {"tick_ns": 1000}}, {}) == [("clock tick", "1,000 ns")]


def test_the_largest_figures_of_a_table_come_first() -> None:
    """Ages by hand: those of the readings that have one, named by reading and statistic."""
    ages = [("gyro", 2.0), ("range", None), ("pose", {"value": 44.31, "low": 40.0, "high": 50.0})]
    run = {"freshness": [{"name": name, "age_at_first_use_ms": {"p50": at}} for name, at in ages]}
    word = find("age at first use")
    assert word is not None
    assert figures_of(word, {}, run) == [
        ("pose age at first use p50", "44.3 ms"), ("gyro age at first use p50", "2 ms"),
    ]  # fmt: skip
    run["freshness"] = [{"name": f"r{k}", "age_at_first_use_ms": {"p50": k}} for k in range(9)]
    assert [name[:2] for name, _ in figures_of(word, {}, run)] == ["r8", "r7", "r6", "r5", "r4"]
