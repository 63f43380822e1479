"""The brief as one page of HTML: whole in itself, without a script, and asking nothing of a net."""

from wxgate.report.page.render import page_html

__all__ = ["page_html"]
