"""The record of one pier: tables, migrations, queries, undo; it knows no log format.

Record: one table a kind, the raw row with file and line beside its typed columns; one transaction a
file. UNIQUE(time, content) serves uniqueness, reading order and overlaps; the content digest is
worked out for all rows at once (two 64-bit lanes), a new column needs a migration that renews it.
Row numbers come from a counter whose update is also the write lock, on any database. Importing a
file again replaces its set-aside entries. Tables are made inside transactions (driver isolation
off, BEGIN from a hook). 100,000 solves go in within 2.8 to 2.95 times the floor (`read_csv` plus
one bulk insert); half of that is SQLite itself.

Rejected: a separate table of rows (511 ms against 310 ms per 100,000), reading as text with pandas
(slower, line numbers inexact), pandas' hash (not promised stable), one block of raw text a file
(opaque). MySQL would not take the schema (unique keys on text); PostgreSQL 15 was tried by hand.

Undo and mending: a row belongs to the first file that brought it; other carriers are kept as
delta-packed blocks, one a file. *Withdrawn* survives a second import of the file, *undone* does
not. Rows to mend are exported in the log's own header and spelling, so the same mapping reads them
back.

Rejected: a table of row and file (grows with the square of the nights), export in the contract's
columns (loses units and zones). Sweeps and runs are found, and end-for-end pairs joined, when
answering and on the whole record.

Rejected: at import, where labels and double counting would depend on the order of files.
"""
