"""Account review: which sites have outgrown their plan, from the flow store, for many sites over months.

One site-day of flows becomes a small mergeable partial (site_day.py), which is kept beside the flows (cache.py). The
partials of a site merge into one (partial.py), on which every judgement rests; the same functions run in one process, in
several, or on a cluster (workers.py).
"""
