"""The record of one pier: tables, migrations, queries, undo; it knows no log format.

By file
-------
- `record.py`: the record as others use it; `engine.py`: opening the database, and whose record it is.
- `piers.py`: many piers in one database; each statement names its pier.
- `schema.py`: the tables; `migrations.py`: named changes of them, each run once on an older record.
- `writing.py`, `reading.py`: rows in and out, each reading once.
- `acts.py`, `undo.py`, `aside.py`: what was done to rows, undoing an import, rows set aside.
- `cache.py`, `quick.py`: finished work, and looking it up without loading the database library; what
  neighbours lent, which is no cache, because answers rest on it.
- `keeping.py`: whether the record is sound; backup and restore.

Rows
----
- One table for each kind of log; the raw row with its file and line stands beside its typed columns.
- One transaction a file.  Tables are made inside transactions too (driver isolation off, BEGIN from a
  hook).
- UNIQUE(time, content) serves three purposes: no reading twice, reading in order of time, finding files
  that overlap.  The digest of the content is worked out for all rows at once (two 64-bit lanes); a new
  column needs a migration that renews it.
- Row numbers come from a counter whose update is also the write lock, on any database.
- Importing a file again replaces its set-aside entries.

100,000 solves go in within 2.8 to 2.95 times the floor (`read_csv` plus one bulk insert); half of that
is SQLite itself.

Rejected:

- a separate table of rows: 511 ms against 310 ms per 100,000;
- reading as text with pandas: slower, and line numbers are inexact;
- pandas' hash: not promised to be stable;
- one block of raw text for each file: opaque.

MySQL does not accept the schema (unique keys on text).

Undoing and mending
-------------------
- A row belongs to the first file that brought it.  Which rows other files carry as well is kept as one
  delta-packed block for each file.
- A *withdrawn* row stays withdrawn when its file is imported again; an *undone* one comes back.
- Rows to mend are exported with the log's own header and spelling, so the same mapping reads them back.

Rejected: a table of rows and files (it grows with the square of the nights); export in our own columns
(units and zones are lost).

Trust
-----
- A new SQLite record is made in memory and appears under its name only when complete; of ten programs
  that begin at once one makes it.  Logs are read before the write lock is taken: ten that record at
  once wait for 0.3 s each.
- Whatever is cached carries a digest of its key and content; what does not match, or can't be read,
  counts as not cached.
- All rows are read, in every state and without an index.  Each row is checked against its digest, its
  state against what was done to it, and the row numbers for gaps and repeats.  Of 250 records with a
  bit, a byte or 64 bytes changed at random, each gave the right readings, said what is damaged, or was
  refused; none gave wrong readings silently.
- A backup is SQLite's own online copy.  A restore is the same copy the other way, in one transaction,
  so that a page that has the record open goes on.
- PostgreSQL: every transaction that writes takes the advisory lock of its pier first; migrations and new
  piers take one of their own, which all that write share, so that they wait for no other pier.

Not covered: file, line and raw text of a row have no digest, because a second column of digests would
slow the import too much.  Damage there is seen by the database's own check at most.

Rejected:

- moving a backup over the record: it would be joined with the old one's write-ahead log, or with a page
  that has the old one open;
- an empty record made by the first command: a kill left 0 bytes, which the next command took for a new
  record;
- finding sweeps, and joining turned pairs of levels, at import: labels and double counting would depend
  on the order of files.  It is done on the whole record when it is analysed.
"""
