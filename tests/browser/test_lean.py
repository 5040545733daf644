"""Pages with few live components: what is still becomes escaped text, what lives stays."""

import json
from html.parser import HTMLParser

from dash import dcc, html
from looptime_dashboards.lean import field, lean, markup
from looptime_dashboards.parts import named, table


class _Read(HTMLParser):
    """Tags, attributes and text as a browser would read them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_hostile_text_comes_back_as_it_was() -> None:
    """No text and no attribute ends where it should not."""
    nasty = "</p><script>x()</script> \" ' & <b>"
    data = named({"data-figure": json.dumps({"a": nasty})})
    read = _Read(markup(html.P(nasty, title=nasty, **data)))
    assert [tag for tag, _ in read.tags] == ["p"]
    assert read.text == nasty
    assert read.tags[0][1]["title"] == nasty
    assert json.loads(read.tags[0][1]["data-figure"] or "") == {"a": nasty}


def test_what_lives_stays_alive_in_its_place() -> None:
    """A live component keeps its neighbours before and after it, each side in one holder."""
    page = [html.P("a"), html.Section([html.H2("b"), dcc.Store(id="x"), html.P("c")]), html.P("d")]
    made = lean(page)
    assert [type(part).__name__ for part in made] == ["Div", "Section", "Div"]
    inner = made[1].children
    assert [type(part).__name__ for part in inner] == ["Div", "Store", "Div"]
    assert getattr(inner[0], "data-markup") == "<h2>b</h2>"
    assert getattr(made[2], "data-markup") == "<p>d</p>"


def test_a_table_takes_one_component() -> None:
    """However many cells: each live component costs the browser at every change."""
    made = lean([table(("a", "b"), [(k, k * 0.5) for k in range(150)], "numbers")])
    assert len(made) == 1
    read = _Read(getattr(made[0], "data-markup"))
    assert sum(tag == "td" for tag, _ in read.tags) == 300


def test_fields_keep_their_values() -> None:
    """What stands in a field may hold quotes."""
    read = _Read(markup(html.Form(field("motion", 'steady:"60"'))))
    assert read.tags[1] == ("input", {"type": "text", "autocomplete": "off", "name": "motion",
                                      "value": 'steady:"60"'})  # fmt: skip


def test_switches_that_are_off_are_left_out() -> None:
    """An option that is not chosen has no such attribute."""
    read = _Read(markup(html.Select([html.Option("a", value="1", selected=False),
                                     html.Option("b", value="2", selected=True)])))  # fmt: skip
    assert "selected" not in read.tags[1][1]
    assert "selected" in read.tags[2][1]
