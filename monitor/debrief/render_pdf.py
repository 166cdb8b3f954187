"""A report's page as PDF: the same page, laid out for paper.

Owns the one call of the library that does it, which comes in only here, and that nothing is
fetched from anywhere meanwhile.
"""

from __future__ import annotations

from typing import Any

from monitor.debrief.periods import ReportError


def lay_out(page: str) -> Any:
    """Lay a page out on sheets; raises :class:`ReportError` where the library is missing."""
    try:
        import weasyprint
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError):
        raise ReportError(
            "failed",
            'PDF needs weasyprint and the system\'s Pango; install Sillwatch with its extra "report":'
            ' pip install "sillwatch[report]", or ask for html and print that',
        ) from None
    return weasyprint.HTML(string=page, base_url=None, url_fetcher=URLFetcher(allowed_protocols=())).render()


def render_pdf(page: str) -> bytes:
    """Write a page as PDF, tagged for readers that speak; raises as :func:`lay_out`."""
    written: bytes = lay_out(page).write_pdf(pdf_tags=True)
    return written
