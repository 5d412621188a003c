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

Trust
-----
- A new SQLite record is made in memory and gets its name whole; of ten programs that begin at once one makes
  it.  Logs are read before the write lock is taken: ten that record at once wait for 0.3 s each.
- What is kept carries a digest of key and content; what doesn't fit, or can't be read, counts as not kept.
- Readings are read whole, by no index, in every state: each row against its digest, whether it counts
  against what was done to it, row numbers without gap or double.  250 records with a bit, a byte or 64 bytes
  changed at random gave the right readings, said what is damaged, or were refused; none gave others
  silently.
- A backup is SQLite's own online copy; a restore is the same copy the other way, one transaction of the
  record, so that a page that has it open goes on.
- PostgreSQL: every transaction that writes takes one advisory lock first, migrations among them.

Not covered: file, line and raw text of a row have no digest (a second column of digests would cost the
import more than is allowed); damage there is seen by the database's own check at most.

Rejected: moving a backup over the record (a log beside it, or a page that has the old one open, would be
taken for its own); an empty record made by the first command (a kill left 0 bytes, which the next took for
new).

Sweeps and runs are found, and end-for-end pairs of levels joined, on the whole record when it is analysed.
Rejected: doing so at import, where labels and double counting would depend on the order of files.
"""
