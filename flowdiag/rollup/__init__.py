"""Roll-ups: sums per minute and summaries per hour of a file of flows, so that a question about a month need not read it.

They hold nothing of a site profile and judge nothing: what counts on which link is decided when they are asked, as for
flows. They are derived: a store without them gives the same answers, later.
"""

__all__ = ["looking", "minute_sums", "overview", "shape", "stored"]
