"""The pictures, one a file: each has a `figure` that draws it and a `describe` that says it in words."""
