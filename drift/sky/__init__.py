"""A place on the sky becomes a direction over this site; nothing of mounts."""
