"""A record in, a page out."""

from bench.reports.html import render_html

__all__ = ["render_html"]
