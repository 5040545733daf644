"""Reference pages for ``looptime guide``, and the words that ``looptime explain`` knows."""

from pathlib import Path

__all__ = ["page", "topics"]


def topics() -> dict[str, str]:
    """The pages there are: name, and what each is about.

    Examples
    --------
    >>> topics()["safety"]
    'Safety'
    """
    folder = Path(__file__).resolve().parent
    pages = sorted(folder.glob("*.md"))
    return {p.stem: p.read_text(encoding="utf-8").partition("\n")[0].lstrip("# ") for p in pages}


def page(topic: str) -> str:
    """The text of one page, as Markdown.

    Raises
    ------
    ValueError
        If there is no such page; the message lists those there are.

    Examples
    --------
    >>> page("exit-codes").startswith("# Exit codes")
    True
    """
    if topic not in topics():
        raise ValueError(f"there is no guide {topic!r}: {', '.join(topics())}")
    return (Path(__file__).resolve().parent / f"{topic}.md").read_text(encoding="utf-8")
