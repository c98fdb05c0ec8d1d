"""The templates of pages: what is put in is escaped, unless it is markup of ours."""

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from bench.reports.words import plain


def template(name: str) -> Template:
    """A page's template by its file name."""
    return _environment().get_template(name)


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("bench.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _printable(value: object) -> object:
    return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value
