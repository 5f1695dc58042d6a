"""The report: what was traced, over the picture it came from, and how far it can be trusted."""

from __future__ import annotations

from tracer.report.figure import SheetFigure, overlay_jpeg, sheet_figure, sheet_jpeg
from tracer.report.page import report_html

__all__ = ["SheetFigure", "overlay_jpeg", "report_html", "sheet_figure", "sheet_jpeg"]
