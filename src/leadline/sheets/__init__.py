"""Paper: slates, wet-note pages and the briefing, as PDFs of true size."""

from leadline.sheets.write import write_sheets

__all__ = ["write_sheets"]
