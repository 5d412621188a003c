"""Logs as people keep them, read: formats, FITS headers, what columns mean, row checks, what was set aside.

Tables
------
- Text becomes arrays 50,000 rows at a time, so memory stays flat (0.7 GiB for a million rows).
- Numbers are rounded to 1e-10, so that a row written in another spelling is recognised as the same row.
- In the hour that is repeated when clocks go back, rows are told apart only by one visible jump back in
  the order of rows; otherwise they are set aside.
- The frame of a mount's places shows in the share of precession in their differences from the solved
  places, each night's zeros projected out.

Rejected: guessing the character set; guessing arcminutes from the size of numbers.

Images
------
- The images of one folder are one log, because the frame of RA/DEC, and a solved place written back over
  the mount's, show only in a set.  The fullest folder goes first; what it shows is kept in ``[fits]`` for
  the smaller ones.
- EQUINOX and RADESYS do not govern RA/DEC: a mapping decides, else the share of precession, else the owner.

Rejected: one log an import, where one doubtful folder took others with it; ``WCS(header)`` for every file
(ten times slower); `Wcsprm` given table distortions (it corrupts memory); a forked pool.

Slips of the keys
-----------------
- A header that is the tool's own but for one or two near names (difflib's ratio of 0.83 or more: "ra_dge"
  comes to 0.83, a foreign "mount_ra_h" to 0.82) is asked about by those names first.
- A wrong sign of declination needs three rows beyond 5 degrees, of which 80 % agree once turned and under
  half as they are.

Rejected: accepting a slip silently with ``--yes``.
"""
