"""One picture per answer, each with the table behind it, drawn by Altair and written by vl-convert without a browser.

Both libraries load on first use only: an answer without a picture does not pay for them.
"""

from __future__ import annotations

from matewindow.charts.files import write_chart
from matewindow.charts.graftdays import graft_chart
from matewindow.charts.tables import chart_table
from matewindow.charts.window import window_chart

__all__ = ["chart_table", "graft_chart", "window_chart", "write_chart"]
