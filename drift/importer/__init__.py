"""Log files, and what is written down by hand, into the record; the record itself knows no log format.

- `importing.py`: files and folders, each read, checked and added by itself.
- `by_hand.py`: a correction, a level reading or an axis error typed in, through the same checks as a
  file.
- `mending.py`: rows that were set aside go out as files to mend, and come back in; after the place of the
  site was corrected, the record's rows are checked again.
"""
