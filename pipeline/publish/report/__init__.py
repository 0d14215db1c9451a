"""The page: one HTML file per site that shows what left the plots, how much of it was measured, and how sure one can be.

Belongs here: which stored numbers the page shows, how they travel to it, its words, its drawing (parts/).
Does not: any number that is not a row, a sum or a count of stored rows (stages/), the terminal (publish/summary.py).

Every number is read here, in Python, and handed over once as data; the page's script only draws it, converts units and adds up what
is in view. Text from registers and field books travels as data too and is only ever set as text, so that it cannot become markup.
"""

from pipeline.publish.report.page import ReportError, report_page

__all__ = ["ReportError", "report_page"]
