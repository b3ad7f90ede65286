"""One module per kind of output; each takes a Result and a path and adds no numbers."""
