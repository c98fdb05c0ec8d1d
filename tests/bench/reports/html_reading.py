"""Reads a page as a browser's parser would, for tests: elements, attributes, text, and whether it nests."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

BLOCKS = {"td", "th", "dt", "dd", "li", "p", "caption", "text", "title", "desc"}
VOID = {"meta", "link", "br", "hr", "img", "input"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str]
    within: tuple[str, ...]
    text: str = ""


@dataclass
class Page(HTMLParser):
    elements: list[Element] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[Element] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(set(names)) != len(names):
            self.broken.append(f"an attribute twice in <{tag}>")
        element = Element(tag, {name: value or "" for name, value in attrs}, tuple(each.tag for each in self._open))
        self.elements.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1].tag != tag:
            self.broken.append(f"</{tag}> closes {self._open[-1].tag if self._open else 'nothing'}")
            return
        self._open.pop()
        if tag in BLOCKS:
            self.handle_data(" ")

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element.text += data

    def all(self, tag: str) -> list[Element]:
        return [element for element in self.elements if element.tag == tag]

    @property
    def words(self) -> str:
        """What a person reads, blanks made single."""
        return " ".join(self.all("main")[0].text.split())


def read(html: str) -> Page:
    page = Page()
    page.feed(html)
    page.close()
    page.broken += [f"<{element.tag}> is never closed" for element in page._open]
    return page
