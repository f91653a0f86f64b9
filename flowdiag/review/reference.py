"""What each column and key of a review says: docs/reference/review.md is drawn from here."""

from __future__ import annotations

from typing import Final

# Columns of CSV and the spreadsheet, and keys of the JSON, by the table they stand in.
SITE: Final = {
    "rank": "place in the list: upgrade, tune first, watch, not enough data, fine; within them by `share_of_plan`",
    "advice": "`upgrade`, `tune-first`, `watch`, `fine` or `not-enough-data`",
    "plan": "of an upgrade: the smallest plan of the catalogue that gives room, empty if none does",
    "plan_mbps": "its download and upload rate",
    "client": "the folder below the sites folder, or the site itself: whose page it stands on",
    "site": "the profile's `[site] name`",
    "profile": "the profile's file",
    "timezone": "of the profile; days and hours below are local",
    "reasons": "one line each, the one that decides first",
    "reason_codes": "the same for programs",
    "days": "local days with data",
    "coverage": "part of the period in which the exporter was heard, 0 to 1; of a link: that counts for its figures",
    "records": "flow records of the period",
    "lost_records": "records lost on the way, by sequence numbers",
    "problems": "files of the store that could not be used",
}
LINK: Final = {
    "link": "of the profile; in the table of sites the link and direction nearest to its plan",
    "name": "of the link",
    "role": "`primary` or `backup`",
    "direction": "`down` or `up`",
    "capacity_mbps": "the plan's rate",
    "mean_mbps": "mean of the five-minute rates",
    "p95_mbps": "nearest-rank 95th percentile of the five-minute rates",
    "share_of_plan": "`p95_mbps` over `capacity_mbps`; the busy threshold (0.70) is compared with it",
    "peak_mbps": "the highest five-minute rate",
    "busy_hour": "hour of the day that carries most over the period (time-consistent busy hour)",
    "busy_hour_p95_mbps": "the 95th percentile within that hour",
    "working_hours_p95_mbps": "the 95th percentile within the profile's working hours, empty without them",
    "busy_hours": "hours of five-minute slots at or over the busy threshold, full ones included",
    "full_hours": "hours of five-minute slots at or over the full threshold",
    "full_episodes": "times it was full for three minutes in a row or more, as `link-full` counts them",
    "full_episode_days": "local days with one",
    "full_episode_minutes": "minutes in them",
    "trend_percent_month": "Theil-Sen slope of the days' 95th percentiles, percent of the level a month",
    "trend_low": "lower end of its 95 % interval",
    "trend_high": "upper end of it",
    "trend_mbps_month": "the slope in Mbit/s a month",
    "months_to_busy": "until the trend reaches the busy threshold; empty where it does not within ten years",
    "months_to_busy_low": "the soonest by the interval",
    "months_to_busy_high": "the latest by the interval",
    "top_talker": "address of the inside host that leads the peaks: most octets in the hours with slots at or over the 95th "
    "percentile",
    "top_talker_label": "its label in the profile",
    "top_talker_share": "its part of the octets of all hosts in these hours, 0 to 1; an hour has the flows that ended in it",
    "top_talker_share_most": "the most that this part can be: what a host carried in an hour is not known where it is under a "
    "five hundredth, and where a roll-up folded small hosts together only how much one can have had",
    "p95_without_top_talker_mbps": "the 95th percentile had that host been silent, its octets of each hour taken from the hour's "
    "slots in proportion to what they carried: an upgrade does not cure one job",
    "week_hours_p95_share": "168 hours from Monday 00:00: the 95th percentile as a part of the plan, null without data",
    "days_p95_mbps": "the days behind the trend, each with its `day` and 95th percentile `p95_mbps`",
}
BACKUP: Final = {
    "links": "names of the backup links",
    "hours_on_backup": "hours in failovers",
    "days_on_backup": "local days with one",
    "failovers": "how many",
    "octets": "IP octets on the backups in the period",
    "leaked_octets": "ordinary IP octets on a backup that no failover explains",
    "hours_without_keepalives": "hours in which a keepalive of the profile was missing",
    "month": "the last local month of the period, YYYY-MM",
    "month_octets": "IP octets on the backups in it",
    "allowance_gb": "allowance a month, 10^9 octets",
    "allowance_used": "part of it used in that month, 1 is all",
    "allowance_projected": "part that will be used by its end, at the rate of the last 31 days without failovers that are over",
    "fit_days": "days whose busiest hour could be compared with the backup",
    "fit_days_down": "of them, days whose busiest hour's download would have fitted the backup's rate",
    "fit_days_up": "the same for the upload",
    "fit_down": "`fit_days_down` over `fit_days`",
    "fit_up": "`fit_days_up` over `fit_days`",
}
