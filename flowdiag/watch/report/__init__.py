"""The morning list: the sites whose backup would not carry them today, gravest first, for the people who call clients.

`month.py` is what the backups carried of their allowances, `site.py` what is said of one site, `morning.py` the list of all of
them; `as_html.py`, `as_text.py`, `as_csv.py` and `as_json.py` write it.
"""

__all__ = ["acknowledging", "as_csv", "as_html", "as_json", "morning", "reasons", "rendering", "sites"]
