"""Files in, plain records out. One module per kind of input."""
