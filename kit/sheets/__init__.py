"""Decisions on paper: a sheet of one page and a dossier, as HTML and as PDF."""

from kit.sheets.content import KINDS, Document, decision_document
from kit.sheets.page import html_page
from kit.sheets.paper import pages, pdf_bytes

__all__ = ["KINDS", "Document", "decision_document", "html_page", "pages", "pdf_bytes"]
