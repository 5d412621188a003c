"""The record of one pier: tables, migrations, queries, undo; it knows no log format.

Rows
----
- One table for each kind of log; the raw row with its file and line stands beside its typed columns.
- One transaction a file.  Tables are made inside transactions too (driver isolation off, BEGIN from a hook).
- UNIQUE(time, content) serves uniqueness, reading order and overlapping files.  The digest of the content is
  worked out for all rows at once (two 64-bit lanes); a new column needs a migration that renews it.
- Row numbers come from a counter whose update is also the write lock, on any database.
- Importing a file again replaces its set-aside entries.

100,000 solves go in within 2.8 to 2.95 times the floor (`read_csv` plus one bulk insert); half of that is
SQLite itself.

Rejected: a separate table of rows (511 ms against 310 ms per 100,000); reading as text with pandas (slower,
line numbers inexact); pandas' hash (not promised to be stable); one block of raw text a file (opaque).  MySQL
would not take the schema (unique keys on text).

Undoing and mending
-------------------
- A row belongs to the first file that brought it; files that carry it as well are kept as delta-packed
  blocks, one a file.
- *Withdrawn* survives a second import of the file, *undone* does not.
- Rows to mend are exported with the log's own header and spelling, so the same mapping reads them back.

Rejected: a table of row and file (it grows with the square of the nights); export in the contract's columns
(units and zones are lost).

Sweeps and runs are found, and end-for-end pairs of levels joined, on the whole record when it is analysed.
Rejected: doing so at import, where labels and double counting would depend on the order of files.
"""
