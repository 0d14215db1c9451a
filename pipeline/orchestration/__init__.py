"""Which computation runs on which partition, and when: thin, so that the numbers come from the stages alone.

Belongs here: the list of computations with what each needs (`computations.py`), what a partition is made from and whether it
is fresh (`freshness.py`), bringing it up to date and sharing years with other processes (`making.py`, `other_processes.py`,
`memory.py`), the checks and what a failed one stops (`checks.py`), the lake's lock (`lock.py`), and what Dagster is told of all
this (`partitions.py`, `assets.py`, `sensors.py`, `build.py`, `runs.py`, `instance.py`, `event_log.py`).
Does not: any computation on data (stages/, science/), where a file lies (lake/), what a column means (tables/).
"""
