"""A job: the alignment of one car from its preparation to its close.

A job is a list of entries in the store, appended and never changed. Its state is computed from
them alone (`state`), and its figures from the state and the runs that it names (`figures`).
"""
