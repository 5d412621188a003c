"""Several piers at once: which ones there are, how urgent each is, and work on all of them side by side.

- `listing.py`: the list, from a folder of site files or from a ``piers.toml``.
- `line.py`: one pier in one line of numbers and codes, and the order in which piers want looking at.
- `together.py`: what the piers of one site share: weather, what moved them all, and which one moved alone.
- `lending.py`: who borrows from the winters of its neighbours, who lends, and until when that stands.
- `running.py`: one task for every pier, on this machine's cores or on a Dask cluster.

A pier that fails is a line with its reason and never the end of the others.  Each pier is worked on in a
child process (`drift.workers`), which takes one pier after another; a child that dies costs the pier that it
had in hand another try, in a new child.  A task may so be done twice, or begun and not ended: that is no
harm, because files come into a record once and whole, and a warning is noted before it is sent.

Size and cost
-------------
`benchmarks/piers.py` on two idle cores: 24 piers of three years (300 nights) with one new night took 196 s on
one worker and 102 s on two, an efficiency of 0.96; 264 MB a worker, 1.7 MB a record, some 3 kB back from each
task; every answer that of the single pier, bit for bit, also with 18 workers killed.  From there, not
measured: 1,000 piers take an hour and 1.7 GB of disk.

100,000 piers, on paper: 200 h of processor, so 67 cores for a night's work in three hours, 18 GB of memory,
170 GB of records.  What breaks first: a PostgreSQL server's usual 100 connections, one or two for each worker
(a pool, or several servers); the list, read by one process at 2 ms a site file; one scheduler told of each
task (tasks of fifty piers).  Records need no change.

Rejected: `concurrent.futures.ProcessPoolExecutor` - where one of its processes dies, all that was in hand is
lost and the pool is broken; threads - the work is nearly all Python; a daemon that holds all piers open - a
scheduler starts a command every day on every system.
"""
