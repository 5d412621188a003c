"""Reading logs as people keep them: formats, FITS headers, what columns mean, row checks, what is set aside.

The way of a file, by file
--------------------------
1. `formats.py` opens it as a table of raw columns (`text.py`, `delimited.py`, `astropy_tables.py`).
2. `mapping.py` says which column is which of ours; `guess*.py`, `names.py` and `units.py` propose a
   mapping, `settle.py` asks where they can't decide, and ``logs.toml`` keeps the answer.
3. `translate.py` turns the cells into our columns (`values.py`, `times.py`).
4. `kinds.py` and `row_check.py` check each row; `places.py` and `sky_evidence.py` check the file as a
   whole.  Rows that can't be used are set aside with their reason.

`read.py` does all of this for one file, `fits_log.py` for a folder of plate-solved images.

Tables
------
- Text becomes arrays 50,000 rows at a time, so that memory stays flat (0.7 GiB for a million rows).
- Numbers are rounded to 1e-10, so that the same row is recognised in another spelling.
- In the hour that is repeated when clocks go back, rows are told apart only by a single jump back of
  the clock; otherwise they are set aside.
- The frame of a mount's places shows in how much precession there is in their differences from the
  solved places, each night's zeros taken out.

Rejected: guessing the character set; guessing arcminutes from the size of numbers.

Images
------
- The images of one folder are one log: the frame of RA/DEC, and a solved place written back over the
  mount's, show only in a set.  The fullest folder goes first; what it shows is kept in ``[fits]`` for
  the smaller ones.
- EQUINOX and RADESYS do not apply to RA/DEC: the mapping decides, else the amount of precession, else
  the owner.

Rejected: all images of an import as one log (one doubtful folder spoiled others); ``WCS(header)`` for
every file (ten times slower); `Wcsprm` with distortion tables (it corrupts memory); a forked pool.

Slips of the keys
-----------------
- A header that has our own names except for one or two near misses (difflib's ratio of 0.83 or more:
  "ra_dge" gives 0.83, a foreign "mount_ra_h" 0.82) is asked about by those names first.
- Declinations are said to have the wrong sign when there are three rows beyond 5 degrees of which 80 %
  agree once the sign is changed, and under half as they are.

Rejected: accepting a slip silently with ``--yes``.
"""
