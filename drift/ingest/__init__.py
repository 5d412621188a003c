"""Logs as people keep them, read: formats, FITS headers, what columns mean, row checks, what was set aside.

Tables of any kind: text becomes arrays 50,000 rows at a time, so memory stays flat (0.7 GiB for a
million rows); numbers are rounded to 1e-10, so that a row is known again in another spelling. A
repeated hour is told apart only by one visible jump back in the order of rows, else those rows are
set aside. The frame of a mount's places is told by the share of precession in its differences from
the solved ones, each night's zeros projected out.

Rejected: charset guessers, guessing arcmin from sizes.

Images: the images of one folder are one log, because the frame of RA/DEC and a solved place written
back show only in a set.

Rejected: one log an import, where one doubtful folder took others with it. The fullest folder goes
first, and what it shows is kept in `[fits]` for the smaller ones. EQUINOX and RADESYS do not govern
RA/DEC: a mapping decides, else the share of precession, else it is asked.

Rejected: `WCS(header)` for every file (ten times slower), `Wcsprm` given table distortions (it
corrupts memory), a forked pool.

Slips in a log: a header that is the tool's own but for one or two near names (difflib 0.83:
"ra_dge" comes to 0.83, a foreign "mount_ra_h" to 0.82) is asked about by those first.

Rejected: taking a slip silently with `--yes`. A wrong sign of declination needs three rows beyond 5
degrees, of which 80 % agree once turned and under half as they are.
"""
