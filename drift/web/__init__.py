"""The local page: the same results as the commands give, in a browser on this machine.

Making pages
------------
- Rendered on the server, because all of it exists as words and SVG in `drift.render` already.  One script of
  ours (values under the pointer, dropping files); everything else works without it.
- starlette, because it is small, typed, kept by many, and has forms, uploads and threads.  Work is done in
  threads, so no page waits for another.
- Five places: Now, History, Nights, Record, Import.  What can be taken away stands where the thing is.
- The look (light, dark, red) is a cookie that the server reads, so that no page is white before it is red.
- One analysis stands until readings, site file or the day change.  Meanwhile the former one is shown with
  that said, and the page renews itself.
- With several piers (`piers_page.py`) the list comes first, and the pages of each stand below an address of
  its own: what makes them knows no other pier, and every link begins with `root`.

Safety
------
- The guard refuses before anything is read: names of other machines (a site that points its own name here),
  posts whose Origin or Sec-Fetch-Site is another's, bodies beyond the limit (also when no length is given),
  everything without the password off this machine.  Forms carry a token of this start of the program.
- Uploads keep only the last part of their names and lie in a folder of their own; an import waits for its
  answers under a number that can't be guessed.
- logs.toml is changed under a file lock and read anew inside it, so that a command and an upload lose nothing
  of each other; the record has locks of its own.

Rejected: a page that is a program in the browser (a second set of words); sessions in the record; a lock file
made by exclusive creation (it stays behind a killed program); a cookie that says which of several piers is
looked at (two windows would disturb each other, and no link could be passed on); the name of an upload as a
path; a tab bar that scrolls sideways (it hides pages).
"""
