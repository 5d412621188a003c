"""The local page: the same answer as the commands give, in a browser on this machine.

Page: server-rendered, because all of it exists as words and SVG in render/ already: one script of
ours (values under the pointer, dropping files), and all else works without it. starlette because it
is small, typed and kept by many, and has forms, uploads and threads; the work is done in threads,
so no page waits for another. One answer stands until readings, site file or the day change;
meanwhile what stood before is shown with that said, and the page renews itself. The guard refuses
before anything is read: names of other machines (a site that points its own name here), posts whose
Origin or Sec-Fetch-Site is another's, bodies beyond the limit (also when no length is said),
everything without the password off this machine; forms carry a token of this program start. Uploads
keep only the last part of their names and lie in a folder of their own; an import waits for answers
under a number that can't be guessed. logs.toml is changed under a file lock
(ingest/mapping_file.py: flock, msvcrt), read anew inside it, so that a command and an upload lose
nothing of each other; the record has its own locks.

Rejected: a page that is a program in the browser (a second set of words), sessions in the record, a
lock file made by exclusive creation (stays behind a killed program), the name of an upload as a
path, a tab bar that scrolls sideways (it hides pages).
"""
