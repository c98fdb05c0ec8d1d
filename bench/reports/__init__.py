"""A record in, a page out."""

from bench.reports.html import render_html
from bench.reports.inspection import check_answers
from bench.reports.pdf import Paper, render_pdf
from bench.reports.people import Added, Photo, Remark, Signed
from bench.reports.statistics_page import Series, render_statistics

__all__ = [
    "Added",
    "Paper",
    "Photo",
    "Remark",
    "Series",
    "Signed",
    "check_answers",
    "render_html",
    "render_pdf",
    "render_statistics",
]
