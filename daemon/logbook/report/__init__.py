"""The report on a show: what rang, where and when, and what to change tomorrow."""
