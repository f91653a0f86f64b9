"""The web page for people who do not use a terminal: it asks the same functions as the command line.

`settings.py` says what a desk is given, `application.py` puts it together, `routing.py` is the one place where a person's
role and sites are checked. `asking/` gets answers from processes of their own, `access/` knows who asks, `pages/` has one
file for each page, `static/` and `templates/` what browsers see.
"""

__all__ = ["access", "demo", "server", "settings"]
